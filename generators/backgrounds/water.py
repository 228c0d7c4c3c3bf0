"""Water: still, rippled, and with the sun in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, in_wide, pick_kind, scene_span
from .bent import bent_field, bent_rows
from .canvas import SAMPLE_PX, canvas_shape, crisp, full_size, widened
from .noise import Spectrum, field_rows
from .points import MOST, chances, power_law
from .raster import Rows, cached, colour, columns, in_cache, remapped, rows, smoothstep
from .view import View

KINDS = ("still", "ripples", "glints")

DEPTH = colour(0.018, 0.042, 0.045)
"""What comes back from under the surface of a clear lake."""

SKY = colour(0.36, 0.44, 0.54)
"""The sky that the surface mirrors at a slant."""

CLOUD, SHORE = colour(0.86, 0.87, 0.89), colour(0.030, 0.036, 0.030)
"""Sunlit cloud and dark woods on the far shore."""

LEAST_TILT = 0.9
"""Slope from which facets mirror the sun."""

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
        glitter = _Glitter.below_a_sun(rng) if kind == "glints" else None

        def planes(part: slice) -> FloatArray:
            wide, inner = widened(part, 1, canvas[0])
            slope = crisp(slopes(wide))[inner]
            # The flatter one looks, the more of the sky: share of mirrored light by Fresnel, roughly.
            share = np.tanh(slope)
            share *= np.float32(0.28)
            share += np.float32(0.60) - np.float32(0.3) * rows(canvas)[part]
            painting = mirrored(part, slope)
            for some in cached(share.shape):
                for plane, below in zip(painting, DEPTH.ravel(), strict=True):
                    plane[some] *= share[some]
                    plane[some] += below
            if glitter is not None:
                glitter.lay(painting, slope, part.start)
            return painting

        return full_size(planes, shape, rng)


@dataclass(frozen=True, slots=True)
class _Glitter:
    """Images of the sun where a facet tilts just so, thickest along the path below it.

    Attributes
    ----------
    middle, width
        Of the path, in widths of the frame.
    density
        Images in a sample of the path at which every facet would mirror the sun.
    seed
        Of chance, which is the same at a place whatever rows are asked for.
    """

    middle: float
    width: float
    density: float
    seed: int

    @classmethod
    def below_a_sun(cls, rng: np.random.Generator) -> _Glitter:
        density = rng.uniform(6e4, 1.5e5) * SAMPLE_PX**2 / 1e6
        return cls(rng.uniform(0.1, 0.9), rng.uniform(0.1, 0.3), density, int(rng.integers(2**32)))

    def lay(self, painting: FloatArray, slopes: FloatArray, first: int) -> None:
        """Add images to rows of the canvas (3, rows, columns) with these slopes, of which one is the `first`, in place.

        An image is a sample wide, which enlargement makes a spot of 0.9 pixels (standard deviation).
        """
        across = (columns((1, slopes.shape[1])) - np.float32(self.middle)) / np.float32(self.width)
        path = np.exp(np.float32(-0.5) * across * across).ravel()
        steep = np.flatnonzero(slopes > np.float32(LEAST_TILT))
        share = smoothstep(slopes.ravel()[steep], LEAST_TILT, 1.6) * path[steep % slopes.shape[1]]
        chance = chances(steep + first * slopes.shape[1], self.seed)
        many = -np.expm1(np.float32(-self.density) * share)  # of a Poisson number, one at least
        lit = chance < many
        light = 0.5 + power_law(chance[lit] / many[lit], 1.3, largest=12.0)
        for plane in painting.reshape(3, -1):
            plane[steep[lit]] = np.minimum(plane[steep[lit]] + light / np.float32(SAMPLE_PX**2), MOST)


def _slopes(shape: tuple[int, int], strength: float, rng: np.random.Generator) -> Rows:
    """Return what gives the surface's slope towards the eye, about 0 ± `strength`, smaller waves further up.

    Waves are stretched along their crests; gusts make some parts rough and leave others smooth.
    """
    span, wind = scene_span(shape), rng.uniform(-12.0, 12.0)
    wave = rng.uniform(16.0, 40.0)
    waves = bent_rows(shape, Spectrum(1.7, wave, 2.0, 3.2, wind), rng, bend_px=3 * wave, view=LAKE)
    swell = bent_rows(shape, Spectrum(2.0, 4 * wave, 8.0, 5.0, wind / 2), rng, bend_px=8 * wave, view=LAKE)
    rough = np.float32(0.7 * strength), np.float32(0.3 * strength)
    spread = Spectrum(1.8, 0.6 * span, 32.0, 4.0)
    gusts = field_rows(shape, spread, rng, lambda field: rough[0] * smoothstep(field, -1.6, 1.2) + rough[1])

    def slopes(part: slice) -> FloatArray:
        slope = waves(part)
        slope *= np.float32(0.85)
        slope += np.float32(0.5) * swell(part)
        slope *= gusts(part)
        return slope

    return slopes


def _mirrored(shape: tuple[int, int], rng: np.random.Generator) -> Callable[[slice, FloatArray], FloatArray]:
    """Return what paints rows of what the surface mirrors at their slopes, and not the depth: light less `DEPTH`.

    It mirrors sky, cloud and dark shore, drawn out downwards. A facet that leans towards the eye mirrors what stands
    higher: it shows what a plane would show further down.
    """
    import cv2

    # Nothing of it is so fine that it would be missed, and the less the larger the frame.
    step = int(in_wide(shape, 4, else_=2))
    grid = -(-shape[0] // step) + 1, -(-shape[1] // step) + 1
    span = scene_span(shape) / step
    upright = bent_field(grid, Spectrum(1.9, 0.5 * span, 4.0, 2.6, 90.0), rng, bend_px=0.25 * span)
    level = np.float32(rng.uniform(-0.7, 0.5))
    reach = np.float32(rng.uniform(0.02, 0.05) * span)
    sky = SKY * np.float32(rng.uniform(0.8, 1.2))

    tints = SHORE - DEPTH, sky - DEPTH, CLOUD - DEPTH

    def scene(upright: FloatArray) -> tuple[FloatArray, ...]:
        upright = upright + level
        cloud, shore = smoothstep(upright, 0.6, 1.8), smoothstep(upright, -1.9, 0.9)
        open_sky = 1 - cloud
        shore *= shore
        shore *= open_sky
        open_sky -= shore
        return open_sky, shore, cloud

    # Four numbers a place are looked up as quickly as one.
    picture = np.asarray(cv2.merge([*in_cache(scene, tints, upright), upright]), dtype=np.float32)

    across = np.arange(shape[1], dtype=np.float32) / np.float32(step)

    def planes(part: slice, slope: FloatArray) -> FloatArray:
        y = slope * reach
        y += np.arange(part.start, part.stop, dtype=np.float32)[:, None] / np.float32(step)
        x = np.empty_like(y)
        x[:] = across
        seen = np.empty((3, *x.shape), dtype=np.float32)
        cv2.mixChannels([remapped(picture, x, y)], list(seen), [0, 0, 1, 1, 2, 2])
        return seen

    return planes
