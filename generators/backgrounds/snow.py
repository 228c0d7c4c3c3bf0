"""Drifts, sparkle and blue shade."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .noise import Spectrum, bent_field, field
from .raster import blur, colour, mix, slope, smoothstep

KINDS = ("drifts", "sparkle", "shade")

SUNLIT = colour(0.70, 0.69, 0.67)
"""Snow in the sun, exposed one stop and a little under saturation where the surface lies flat."""

SHADE = colour(0.20, 0.26, 0.36)
"""The same snow lit by blue sky only: a fifth to a third of the light."""

GRAIN = 0.025
"""Standard deviation in log luminance of the grain of the surface."""


@dataclass(frozen=True, slots=True)
class Snow:
    """A snow field under a low sun.

    Attributes
    ----------
    kind
        ``"drifts"`` (undulation and wind ripple), ``"sparkle"`` (also glints, up to saturation),
        ``"shade"`` (also cast shadows) or ``"mixed"``, one of the three by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("snow", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        sun_deg = rng.uniform(20.0, 160.0)
        sunlight = _sunlight(shape, sun_deg, rng)
        # A slope that turns from the sun turns from the bright part of the sky, too.
        skylight = (0.8 + 0.2 * sunlight)[..., None]
        if kind == "shade":
            sunlight *= 1 - _cast_shade(shape, rng)
        grain = np.exp(GRAIN * field(shape, Spectrum(0.6, 40.0, 2.5), rng))
        snow = mix(SHADE * skylight, SUNLIT, sunlight) * grain[..., None]
        if kind == "sparkle":
            snow += _glints(sunlight, rng)[..., None]
        return np.asarray(np.minimum(snow, 1.2) * rng.uniform(0.85, 1.05), dtype=np.float32)


def _sunlight(shape: tuple[int, int], sun_deg: float, rng: np.random.Generator) -> FloatArray:
    """Return the sun's share of the light by the slope towards it, softly clipped, around 1 on the flat."""
    span = scene_span(shape)
    drifts = bent_field(shape, Spectrum(2.9, 0.6 * span, 48.0, 2.2), rng, bend_px=span / 2)
    wind = rng.uniform(-25.0, 25.0)
    ripple = bent_field(shape, Spectrum(2.2, 80.0, 5.0, 3.5, wind), rng, bend_px=200.0)
    strength = smoothstep(field(shape, Spectrum(2.0, 0.5 * span, 16.0), rng), -0.8, 1.4)
    # Wind carves: rounded backs with sharp lee edges, not sine waves.
    height = (0.05 * span) * drifts - rng.uniform(3.5, 7.0) * strength * np.sqrt(ripple**2 + 0.02)
    light = 0.85 - 0.5 * slope(height, sun_deg)
    return np.asarray(np.clip(1.27 * np.tanh(1.1 * light), 0.03, 1.25), dtype=np.float32)


def _cast_shade(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Return 0…1 of shade: a ridge's, soft-edged, and long ones of trees, sharp near what casts them."""
    span, along = scene_span(shape), rng.uniform(-25.0, 25.0)
    ridge = bent_field(shape, Spectrum(2.6, 0.9 * span, 8.0, 2.5, along), rng, bend_px=0.4 * span)
    trees = bent_field(shape, Spectrum(1.9, 0.07 * span, 3.0, 9.0, along), rng, bend_px=0.5 * span)
    where = smoothstep(field(shape, Spectrum(2.2, 0.6 * span, 16.0), rng), -0.4, 0.6)
    silhouette = ridge - np.float32(rng.uniform(0.5, 1.2)) + 0.7 * where * np.maximum(trees, 0)
    hard, soft = smoothstep(silhouette, 0.0, 0.09), smoothstep(blur(silhouette, 5.0), -0.15, 0.4)
    softness = smoothstep(field(shape, Spectrum(2.0, 0.6 * span, 16.0), rng), -0.7, 0.7)
    return (hard + (soft - hard) * softness) * np.float32(rng.uniform(0.8, 0.95))


def _glints(sunlight: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return light added by crystals that mirror the sun: one pixel or two in some of a thousand."""
    h, w = sunlight.shape
    count = int(rng.poisson(h * w * rng.uniform(4e-4, 1.5e-3)))
    y, x = rng.integers(h, size=count), rng.integers(w, size=count)
    glints = np.zeros((h, w), dtype=np.float32)
    # Few are strong: the brightness of mirrors of random tilt and size falls off like a power law.
    np.maximum.at(glints, (y, x), (0.25 * rng.pareto(1.6, count)).clip(0, 6).astype(np.float32))
    return blur(glints, 0.55) * np.minimum(sunlight, 1)
