"""What lies on a snow field: the shade of ridges and trees, and rocks that poke through."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from .base import FloatArray, finest_detail, in_wide, scene_span
from .bent import bent_plane, lit_rows, look_over
from .canvas import crisp, widened
from .noise import Spectrum, field_rows
from .raster import Rows, blur, grown, reduced, sample_by_sample, shifted, slope, smoothstep
from .tint import Tint

STONE_SHADE = 9
"""Samples, more than a stone's shade and its soft edge reach."""


def cast_shade(shape: tuple[int, int], rng: np.random.Generator) -> Rows:
    """Return what gives the sun's share, 0…1: less in a ridge's soft-edged shade and in trees', sharp near them."""
    span, along, grid = scene_span(shape), rng.uniform(-25.0, 25.0), Tint(shape, 2, rng)
    ridge = grid.bent(Spectrum(2.6, 0.9 * span, 16.0, 2.5, along), bend_px=0.4 * span)
    finest = in_wide(shape, 16.0, else_=max(finest_detail(span), 4.0))
    trees = grid.bent(Spectrum(1.9, 0.07 * span, finest, 9.0, along), bend_px=0.5 * span)
    where = grid.field(Spectrum(2.2, 0.6 * span, 32.0), lambda field: 0.7 * smoothstep(field, -0.4, 0.6))
    level = np.float32(rng.uniform(0.5, 1.2))
    far = grid.field(Spectrum(2.0, 0.6 * span, 32.0), lambda field: smoothstep(field, -0.7, 0.7))
    depth = np.float32(rng.uniform(0.8, 0.95))

    def silhouette(ridge: FloatArray, trees: FloatArray, where: FloatArray) -> FloatArray:
        tops = np.maximum(trees, 0) * where
        tops += ridge
        tops -= level
        return tops

    def sunlit(sharp: FloatArray, soft: FloatArray, far: FloatArray) -> FloatArray:
        return 1 - depth * (sharp + far * (smoothstep(soft, -0.15, 0.4) - sharp))

    near = sample_by_sample(silhouette, ridge, trees, where)
    sharp = blur(smoothstep(near, 0.0, 0.09), 0.75)  # no staircase shows
    # Seen from afar the edge is wide.
    return grid.rows(sample_by_sample(sunlit, sharp, blur(near, 1.25), far))


def stones_in_snow(
    shape: tuple[int, int], sun_deg: float, rng: np.random.Generator
) -> Callable[[slice], tuple[FloatArray, FloatArray, FloatArray]]:
    """Outcrops and single stones, most of them a few pixels wide, gathered in patches.

    Return what gives, for rows: the sun's share on the snow beside stones, where snow lies (1, and 0 on rock), and the
    light on rock, about 1.
    """
    level = np.float32(rng.uniform(0.7, 2.6))
    patches = field_rows(shape, Spectrum(2.0, 0.5 * scene_span(shape), 32.0), rng, lambda field: 0.9 * field - level)
    relief, light = lit_rows(shape, partial(_relief, sun_deg, rng), rng)
    c, s = np.cos(np.radians(sun_deg)), np.sin(np.radians(sun_deg))

    def rows(part: slice) -> tuple[FloatArray, FloatArray, FloatArray]:
        wide, inner = widened(part, STONE_SHADE, shape[0], even=True)
        height = relief(wide)
        height += patches(wide)
        snowy = smoothstep(height, 0.15, -0.03)
        # Shade is soft enough for half as many samples.
        around = reduced(snowy, 2)
        lit = np.minimum(around, shifted(around, 1.0 * c, -1.0 * s))
        lit = np.minimum(lit, shifted(around, 2.25 * c, -2.25 * s), out=lit)
        lit *= np.float32(0.85)
        lit += np.float32(0.15)
        return grown(lit, snowy.shape, 2)[inner], snowy[inner], light(part)

    return rows


def _relief(sun_deg: float, rng: np.random.Generator, shape: tuple[int, int], periodic: bool) -> list[FloatArray]:
    """Return the height of rock, of variance 1, and the light on it."""

    def look(height: FloatArray) -> FloatArray:
        light = slope(height, sun_deg, -2.75)
        return np.maximum(crisp(np.exp(np.clip(light, -1.5, 1.6, out=light), out=light)), 0)

    height = bent_plane(shape, Spectrum(1.5, 60.0, 2.0, 1.6), rng, bend_px=0.0, periodic=periodic)
    return [height, look_over(look, [height], periodic)]
