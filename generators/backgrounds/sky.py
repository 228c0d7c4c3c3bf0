"""Clear sky, soft cloud and hard-edged cumulus."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .noise import Spectrum, bent_field
from .raster import blur, colour, columns, mix, rows, shifted, slope, smoothstep

KINDS = ("clear", "soft", "hard")

ZENITH = colour(0.105, 0.225, 0.50)
"""Deep blue overhead: 1 : 2.1 : 4.7, close to a Rayleigh sky through sRGB primaries."""

HORIZON = colour(0.56, 0.66, 0.76)
"""Pale near the horizon, where light has been scattered many times."""

HAZE_HEIGHT_DEG = 17.0
"""Elevation over which the paleness of the horizon falls to 1/e, a middling haze."""

CLOUD = colour(0.86, 0.87, 0.89)
"""Sunlit white, kept under 0.9 so that camera noise isn't clipped."""

CLOUD_SHADE = colour(0.34, 0.39, 0.47)
"""The shaded side, lit by the sky."""


@dataclass(frozen=True, slots=True)
class Sky:
    """A sky, seen level, from a few degrees above the horizon upwards.

    Attributes
    ----------
    kind
        ``"clear"``, ``"soft"`` (cirrus and veils), ``"hard"`` (cumulus with hard edges) or ``"mixed"``, one
        of the three by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("sky", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        sky = _clear(shape, rng)
        if kind == "soft":
            sky = _soft_cloud(sky, rng)
        elif kind == "hard":
            sky = _cumulus(sky, rng)
        return sky


def _clear(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Blue above, pale below, brighter towards the side where the sun is."""
    low, high = rng.uniform(2.0, 14.0), rng.uniform(28.0, 62.0)
    elevation = low + (high - low) * (1.0 - rows(shape))
    paleness = np.exp(-elevation / HAZE_HEIGHT_DEG) * rng.uniform(0.75, 1.1)
    towards_sun = (columns(shape) - 0.5) * rng.uniform(-0.3, 0.3)
    exposure = rng.uniform(0.85, 1.15)
    share = np.clip(paleness + 0.3 * towards_sun, 0, 1).astype(np.float32)
    light = (exposure * (1 + towards_sun)).astype(np.float32)
    return np.asarray((ZENITH + (HORIZON - ZENITH) * share[..., None]) * light[..., None], dtype=np.float32)


def _soft_cloud(sky: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Veils and combed-out streaks: two bent fields, turned into optical depth."""
    shape = (sky.shape[0], sky.shape[1])
    span = scene_span(shape)
    wind = rng.uniform(-35.0, 35.0)
    veil = bent_field(shape, Spectrum(2.0, 0.7 * span, 3.0, 1.8, wind), rng, bend_px=0.6 * span)
    comb = wind + rng.uniform(-15, 15)
    streaks = bent_field(shape, Spectrum(1.4, 0.2 * span, 3.0, 6.0, comb), rng, bend_px=0.5 * span)
    amount = np.float32(rng.uniform(-1.0, 0.5))
    # Streaks hang in the veil: where there is no ice there is nothing to comb.
    depth = 0.45 * np.exp(1.0 * (veil + amount)) * np.exp(0.27 * streaks)
    opacity = 1 - np.exp(-depth)
    return mix(sky, CLOUD * np.float32(rng.uniform(0.85, 0.98)), opacity)


def _cumulus(sky: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Heaps with hard, frayed edges, lit from one side, grey underneath."""
    shape = (sky.shape[0], sky.shape[1])
    span = scene_span(shape)
    heaps = bent_field(shape, Spectrum(2.3, 0.35 * span, 8.0, 1.5), rng, bend_px=0.3 * span)
    knobs = bent_field(shape, Spectrum(1.9, 0.12 * span, 4.0), rng, bend_px=0.15 * span)
    wisps = bent_field(shape, Spectrum(1.5, 0.05 * span, 2.5), rng, bend_px=0.1 * span)
    # Folding a field about zero makes rounded knobs with sharp creases between them.
    body = heaps + 0.45 * (0.8 - np.abs(knobs)) - np.float32(rng.uniform(0.3, 0.9))
    density = body + 0.12 * wisps
    opacity = smoothstep(density, 0.0, rng.uniform(0.25, 0.5))
    sun_deg = rng.uniform(25.0, 155.0)
    light = _sunlight(np.maximum(density, 0), sun_deg) * _relief(body + 0.1 * wisps, sun_deg)
    lit = mix(np.broadcast_to(CLOUD_SHADE, sky.shape), CLOUD, light)
    return mix(sky, lit, opacity)


def _relief(height: FloatArray, sun_deg: float) -> FloatArray:
    """Return how much of the light a knob gets: all where it faces the sun, 0.6 on its far side."""
    span = scene_span(height.shape)
    tilt = -slope(blur(height, 0.0025 * span), sun_deg) * np.float32(0.03 * span)
    return np.asarray(0.8 + 0.2 * np.tanh(tilt), dtype=np.float32)


def _sunlight(thickness: FloatArray, sun_deg: float) -> FloatArray:
    """Return the share of sunlight that gets through the cloud on its way to each point, 0…1.

    Beer's law along three steps towards the sun, each through a wider blur as the light spreads.
    """
    span = scene_span(thickness.shape)
    through = 0.15 * thickness
    for step, weight in ((0.012, 0.3), (0.035, 0.35), (0.09, 0.35)):
        reach = step * span
        dx, dy = reach * np.cos(np.radians(sun_deg)), -reach * np.sin(np.radians(sun_deg))
        through = through + weight * shifted(blur(thickness, max(0.5 * reach, 0.5)), dx, dy)
    return np.asarray(np.exp(-through), dtype=np.float32)
