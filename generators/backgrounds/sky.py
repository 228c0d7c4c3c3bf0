"""Clear sky, soft cloud and hard-edged cumulus."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .canvas import Painting, canvas_shape, full_size, in_bands, widened
from .noise import Spectrum, bent_rows
from .raster import blur, colour, columns, grown, mix, reduced, rows, shifted, slope, smoothstep

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


RELIEF = 0.0025
"""Width of the blur under which a cloud's knobs catch the light, in spans of the scene."""

COARSE = 4
"""Light inside a cloud is spread over many samples and computed on a grid so many times coarser."""


@dataclass(frozen=True, slots=True)
class Sky:
    """A sky, seen level, from a few degrees above the horizon upwards.

    Attributes
    ----------
    kind
        ``"clear"`` (a gradient so smooth that eight bits make bands of it), ``"soft"`` (cirrus and veils),
        ``"hard"`` (cumulus with hard edges) or ``"mixed"``, one of the three by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("sky", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        canvas = canvas_shape(shape)
        sky = _clear(canvas, rng)
        if kind == "soft":
            sky = _soft_cloud(sky, canvas, rng)
        elif kind == "hard":
            sky = _cumulus(sky, canvas, rng)
        return full_size(sky, shape, rng)


def _clear(shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    """Return what paints a clear sky: blue above, pale below, brighter towards the sun's side."""
    low, high = rng.uniform(2.0, 14.0), rng.uniform(28.0, 62.0)
    elevation = low + (high - low) * (1.0 - rows(shape))
    paleness = np.exp(-elevation / HAZE_HEIGHT_DEG) * np.float32(rng.uniform(0.75, 1.1))
    towards_sun = (columns(shape) - 0.5) * np.float32(rng.uniform(-0.3, 0.3))
    exposure = np.float32(rng.uniform(0.85, 1.15))

    def planes(part: slice) -> FloatArray:
        share = np.clip(paleness[part] + np.float32(0.3) * towards_sun, 0, 1)
        sky = mix(ZENITH, HORIZON, share)
        sky *= exposure * (1 + towards_sun)
        return sky

    return planes


def _soft_cloud(sky: Painting, shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    """Veils and combed-out streaks: two bent fields, turned into optical depth."""
    span = scene_span(shape)
    wind = rng.uniform(-35.0, 35.0)
    veils = bent_rows(shape, Spectrum(2.0, 0.7 * span, 8.0, 1.8, wind), rng, bend_px=0.6 * span)
    comb = wind + rng.uniform(-15, 15)
    streaks = bent_rows(shape, Spectrum(1.4, 0.2 * span, 2.0, 6.0, comb), rng, bend_px=0.5 * span)
    thickness = np.float32(rng.uniform(-1.0, 0.5))
    white = CLOUD * np.float32(rng.uniform(0.85, 0.98))

    def planes(part: slice) -> FloatArray:
        depth = veils(part) + thickness
        # Streaks hang in the veil: where there is no ice there is nothing to comb.
        depth += np.float32(0.27) * streaks(part)
        np.exp(depth, out=depth)
        depth *= np.float32(-0.45)
        return mix(sky(part), white, np.asarray(-np.expm1(depth), dtype=np.float32))

    return planes


def _cumulus(sky: Painting, shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    """Heaps with hard, frayed edges, lit from one side, grey underneath."""
    span = scene_span(shape)
    heaps = bent_rows(shape, Spectrum(2.3, 0.35 * span, 8.0, 1.5), rng, bend_px=0.3 * span)
    knobs = bent_rows(shape, Spectrum(1.9, 0.12 * span, 2.0), rng, bend_px=0.15 * span)
    wisps = bent_rows(shape, Spectrum(1.5, 0.05 * span, 2.0), rng, bend_px=0.1 * span)
    level, soft_edge = np.float32(0.36 - rng.uniform(0.3, 0.9)), rng.uniform(0.25, 0.5)
    sun_deg = rng.uniform(25.0, 155.0)
    density = np.empty(shape, dtype=np.float32)

    def heaped(part: slice) -> FloatArray:
        frayed = np.float32(0.1) * wisps(part)
        # Folding a field about zero makes rounded knobs with sharp creases between them.
        body = heaps(part) + level
        body -= np.float32(0.45) * np.abs(knobs(part))
        body += frayed
        np.add(body, np.float32(0.2) * frayed, out=density[part])
        return body

    tops = blur(in_bands(heaped, shape), RELIEF * span)
    through = _sunlight(np.maximum(density, 0), sun_deg)

    def planes(part: slice) -> FloatArray:
        wide, inner = widened(part, 1, shape[0])
        light: FloatArray = np.maximum(density[part], 0) * np.float32(-0.15)
        light += through[part]
        np.exp(light, out=light)
        light *= _relief(tops[wide], sun_deg, span)[inner]
        return mix(sky(part), mix(CLOUD_SHADE, CLOUD, light), smoothstep(density[part], 0.0, soft_edge))

    return planes


def _relief(height: FloatArray, sun_deg: float, span: int) -> FloatArray:
    """Return how much of the light a knob gets: all where it faces the sun, 0.6 on its far side."""
    tilt = slope(height, sun_deg)
    tilt *= np.float32(-0.03 * span)
    relief = np.tanh(tilt, out=tilt)
    relief *= np.float32(0.2)
    relief += np.float32(0.8)
    return relief


def _sunlight(thickness: FloatArray, sun_deg: float) -> FloatArray:
    """Return the log of the sunlight's share that gets through the cloud on its way to each point.

    Beer's law along three steps towards the sun, each through a wider blur as the light spreads.
    """
    span = scene_span(thickness.shape) / COARSE
    small = reduced(thickness, COARSE)
    through = np.zeros_like(small)
    for step, weight in ((0.012, 0.3), (0.035, 0.35), (0.09, 0.35)):
        reach = step * span
        dx, dy = reach * np.cos(np.radians(sun_deg)), -reach * np.sin(np.radians(sun_deg))
        through -= np.float32(weight) * shifted(blur(small, max(0.5 * reach, 0.5)), dx, dy)
    return grown(through, thickness.shape, COARSE)
