"""Water: still, rippled, and with the sun in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .canvas import SAMPLE_PX, canvas_shape, full_size
from .noise import Spectrum, bent_field, bent_rows, field_rows
from .points import add_points, lit_share, power_law, scattered
from .raster import Rows, colour, columns, mix, remapped, rows, smoothstep
from .view import View

KINDS = ("still", "ripples", "glints")

DEPTH = colour(0.018, 0.042, 0.045)
"""What comes back from under the surface of a clear lake."""

SKY = colour(0.36, 0.44, 0.54)
"""The sky that the surface mirrors at a slant."""

CLOUD, SHORE = colour(0.86, 0.87, 0.89), colour(0.030, 0.036, 0.030)
"""Sunlit cloud and dark woods on the far shore."""

LAKE = View(0.45, 1.6, spread=0.5, flatness=3.0)
"""A surface seen from 20…30° above."""


@dataclass(frozen=True, slots=True)
class Water:
    """A lake or a slow river, without its shore.

    Attributes
    ----------
    kind
        ``"still"`` (long faint waves), ``"ripples"`` (wind waves that mirror sky and depth in turn),
        ``"glints"`` (also a path of glitter) or ``"mixed"``, one of the three by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("water", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        canvas = canvas_shape(shape)
        slopes = _slopes(canvas, 1.0 if kind != "still" else 0.16, rng)
        mirrored = _mirrored(canvas, rng)
        glittering = np.empty(canvas, dtype=np.float32) if kind == "glints" else None

        def planes(part: slice) -> FloatArray:
            slope = slopes(part)
            if glittering is not None:
                glittering[part] = slope
            # The flatter one looks, the more of the sky: share of mirrored light by Fresnel, roughly.
            share = np.float32(0.28) * np.tanh(slope)
            share += np.float32(0.60) - np.float32(0.3) * rows(canvas)[part]
            return mix(DEPTH, mirrored(part, slope), share)

        frame = full_size(planes, shape, rng)
        if glittering is not None:
            _add_glitter(frame, glittering, rng)
        return frame


def _slopes(shape: tuple[int, int], strength: float, rng: np.random.Generator) -> Rows:
    """Return what gives the surface's slope towards the eye, about 0 ± `strength`, smaller waves further up.

    Waves are stretched along their crests; gusts make some parts rough and leave others smooth.
    """
    span, wind = scene_span(shape), rng.uniform(-12.0, 12.0)
    wave = rng.uniform(16.0, 40.0)
    waves = bent_rows(shape, Spectrum(1.7, wave, 2.0, 3.2, wind), rng, bend_px=3 * wave, view=LAKE)
    swell = bent_rows(shape, Spectrum(2.0, 4 * wave, 8.0, 5.0, wind / 2), rng, bend_px=8 * wave, view=LAKE)
    gusts = field_rows(shape, Spectrum(1.8, 0.6 * span, 16.0, 4.0), rng)

    def slopes(part: slice) -> FloatArray:
        slope = np.float32(0.85) * waves(part)
        slope += np.float32(0.5) * swell(part)
        rough = smoothstep(gusts(part), -1.6, 1.2)
        rough *= np.float32(0.7 * strength)
        rough += np.float32(0.3 * strength)
        slope *= rough
        return slope

    return slopes


def _mirrored(shape: tuple[int, int], rng: np.random.Generator) -> Callable[[slice, FloatArray], FloatArray]:
    """Return what paints rows of what the surface mirrors at their slopes: sky, cloud, dark shore, drawn out downwards.

    A facet that leans towards the eye mirrors what stands higher: it shows what a plane would show further down.
    """
    span = scene_span(shape)
    upright = bent_field(shape, Spectrum(1.9, 0.5 * span, 8.0, 2.6, 90.0), rng, bend_px=0.25 * span)
    upright += np.float32(rng.uniform(-0.7, 0.5))
    reach = np.float32(rng.uniform(0.02, 0.05) * span)
    sky = SKY * np.float32(rng.uniform(0.8, 1.2))

    def planes(part: slice, slope: FloatArray) -> FloatArray:
        y = slope * reach
        y += np.arange(part.start, part.stop, dtype=np.float32)[:, None]
        x = np.empty_like(y)
        x[:] = np.arange(shape[1], dtype=np.float32)
        seen = remapped(upright, x, y)
        shore = smoothstep(seen, -1.9, 0.9)
        shore *= shore
        return mix(mix(SHORE, sky, shore), CLOUD, smoothstep(seen, 0.6, 1.8))

    return planes


def _add_glitter(frame: FloatArray, slopes: FloatArray, rng: np.random.Generator) -> None:
    """Add images of the sun: where a facet tilts just so, thickest along the path below the sun."""
    middle, width = rng.uniform(0.1, 0.9), rng.uniform(0.1, 0.3)
    path = np.exp(-0.5 * ((columns((1, slopes.shape[1])) - np.float32(middle)) / np.float32(width)) ** 2)
    shape = (frame.shape[0], frame.shape[1])
    x, y = scattered(shape, rng.uniform(6e4, 1.5e5), rng)
    tilt, along = (lit_share(np.broadcast_to(plane, slopes.shape), x, y, SAMPLE_PX) for plane in (slopes, path))
    lit = rng.random(len(x)) < smoothstep(tilt, 0.9, 1.6) * along
    light = 0.5 + power_law(int(lit.sum()), 1.3, rng, largest=12.0)
    add_points(frame, x[lit], y[lit], light.astype(np.float32)[:, None], sigma_px=0.7)
    np.minimum(frame, np.float32(1.2), out=frame)
