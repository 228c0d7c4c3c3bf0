"""Clear sky, soft cloud and hard-edged cumulus."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, finest_detail, pick_kind, scene_span
from .bent import bent_rows
from .canvas import Painting, canvas_shape, crisp, full_size, in_bands, widened
from .noise import Spectrum
from .raster import blended, blur, colour, columns, grown, in_cache, reduced, rows, shifted, slope, smoothstep

Weights = Callable[[slice], tuple[FloatArray, FloatArray]]
"""Gives how much of the zenith's and of the horizon's light there is in rows of the canvas."""

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

HALF = 2
"""What light does on a cloud's knobs is smooth enough for a grid so many times coarser."""

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
        if kind == "clear":
            return full_size(lambda part: blended(sky(part), (ZENITH, HORIZON)), shape, rng)
        return full_size((_soft_cloud if kind == "soft" else _cumulus)(sky, canvas, rng), shape, rng)


def _clear(shape: tuple[int, int], rng: np.random.Generator) -> Weights:
    """Return what gives a clear sky, blue above, pale below, brighter towards the sun: how much of either light."""
    low, high = rng.uniform(2.0, 14.0), rng.uniform(28.0, 62.0)
    elevation = low + (high - low) * (1.0 - rows(shape))
    paleness = np.exp(-elevation / HAZE_HEIGHT_DEG) * np.float32(rng.uniform(0.75, 1.1))
    towards_sun = (columns(shape) - 0.5) * np.float32(rng.uniform(-0.3, 0.3))
    light = np.float32(rng.uniform(0.85, 1.15)) * (1 + towards_sun)

    def weights(part: slice) -> tuple[FloatArray, FloatArray]:
        pale = paleness[part] + np.float32(0.3) * towards_sun
        np.clip(pale, 0, 1, out=pale)
        pale *= light
        return light - pale, pale

    return weights


def _soft_cloud(sky: Weights, shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    """Veils and combed-out streaks: two bent fields, turned into optical depth."""
    span = scene_span(shape)
    wind = rng.uniform(-35.0, 35.0)
    veils = bent_rows(shape, Spectrum(2.0, 0.7 * span, 8.0, 1.8, wind), rng, bend_px=0.6 * span)
    comb = wind + rng.uniform(-15, 15)
    streaks = bent_rows(shape, Spectrum(1.4, 0.2 * span, 2.0, 6.0, comb), rng, bend_px=0.5 * span)
    thickness = np.float32(rng.uniform(-1.0, 0.5) + np.log(0.45))
    white = CLOUD * np.float32(rng.uniform(0.85, 0.98))

    def weights(seen: FloatArray, *clear: FloatArray) -> list[FloatArray]:
        return [seen * each for each in clear] + [1 - seen]

    def planes(part: slice) -> FloatArray:
        wide, inner = widened(part, 1, shape[0])
        depth = veils(wide) + thickness
        # Streaks hang in the veil: where there is no ice there is nothing to comb.
        depth += np.float32(0.27) * streaks(wide)
        clear: FloatArray = np.negative(np.exp(depth, out=depth), out=depth)
        return in_cache(weights, (ZENITH, HORIZON, white), crisp(np.exp(clear, out=clear))[inner], *sky(part))

    return planes


def _cumulus(sky: Weights, shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    """Heaps with hard, frayed edges, lit from one side, grey underneath."""
    span = scene_span(shape)
    heaps = bent_rows(shape, Spectrum(2.3, 0.35 * span, 8.0, 1.5), rng, bend_px=0.3 * span)
    knobs = bent_rows(shape, Spectrum(1.9, 0.12 * span, finest_detail(span)), rng, bend_px=0.15 * span)
    wisps = bent_rows(shape, Spectrum(1.5, 0.05 * span, 2.0), rng, bend_px=0.05 * span)
    level, soft_edge = np.float32(0.36 - rng.uniform(0.3, 0.9)), rng.uniform(0.25, 0.5)
    sun_deg = rng.uniform(25.0, 155.0)
    small = [-(-side // HALF) for side in shape]
    tops = np.empty(small, dtype=np.float32)

    def heaped(part: slice) -> FloatArray:
        frayed = wisps(part)
        frayed *= np.float32(0.1)
        # Folding a field about zero makes rounded knobs with sharp creases between them.
        folds = knobs(part)
        body = heaps(part) + level
        body -= np.float32(0.45) * np.abs(folds, out=folds)
        body += frayed
        tops[part.start // HALF : -(-part.stop // HALF)] = reduced(body, HALF)
        frayed *= np.float32(0.2)
        body += frayed
        return body

    density = in_bands(heaped, shape)
    light = grown(_sunlight(density, sun_deg), tuple(small), COARSE // HALF)
    light *= _relief(blur(tops, RELIEF * span / HALF), sun_deg, span / HALF)

    def weights(thickness: FloatArray, cover: FloatArray, lit: FloatArray, *clear: FloatArray) -> list[FloatArray]:
        lit *= np.exp(np.float32(-0.15) * np.maximum(thickness, 0))
        lit *= cover
        seen = 1 - cover
        cover -= lit
        return [seen * each for each in clear] + [cover, lit]

    def planes(part: slice) -> FloatArray:
        wide, inner = widened(part, HALF, shape[0], even=True)
        around = light[wide.start // HALF : -(-wide.stop // HALF)]
        lit = grown(around, (wide.stop - wide.start, shape[1]), HALF)[inner]
        cover = crisp(smoothstep(density[wide], 0.0, soft_edge))[inner]
        return in_cache(weights, (ZENITH, HORIZON, CLOUD_SHADE, CLOUD), density[part], cover, lit, *sky(part))

    return planes


def _relief(height: FloatArray, sun_deg: float, span: float) -> FloatArray:
    """Return how much of the light a knob gets: all where it faces the sun, 0.6 on its far side."""
    relief = np.tanh(slope(height, sun_deg, -0.03 * span))
    relief *= np.float32(0.2)
    relief += np.float32(0.8)
    return relief


def _sunlight(density: FloatArray, sun_deg: float) -> FloatArray:
    """Return the sunlight's share that gets through the cloud on its way to each point, `COARSE` times smaller.

    Beer's law along three steps towards the sun, each through a wider blur as the light spreads.
    """
    span = scene_span(density.shape) / COARSE
    small = reduced(np.maximum(density, 0), COARSE)
    through = np.zeros_like(small)
    for step, weight in ((0.012, 0.3), (0.035, 0.35), (0.09, 0.35)):
        reach = step * span
        dx, dy = reach * np.cos(np.radians(sun_deg)), -reach * np.sin(np.radians(sun_deg))
        through -= np.float32(weight) * shifted(blur(small, max(0.5 * reach, 0.5)), dx, dy)
    return np.exp(through, out=through)
