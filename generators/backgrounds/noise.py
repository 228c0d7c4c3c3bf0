"""Random fields with a power-law amplitude spectrum, the stuff of clouds, snow and heath."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from .base import FloatArray
from .raster import Enlargement, Rows
from .tiles import Patchwork
from .waves import Part, Spectrum, synthesise

__all__ = ["Spectrum", "field", "field_rows", "tile", "tile_side"]

SPLIT_SAMPLES = 64
"""Waves longer than this many samples are made on a grid `COARSE_STEP` times coarser.

That grid is cheap enough to be twice as wide as the frame, so that its period never shows: the long waves
are the ones that would make opposite edges alike.
"""

COARSE_STEP = 8
"""Leaves 8 samples to the shortest of the long waves, which cubic enlargement carries without a trace."""

WHOLE_SAMPLES = 1_000_000
"""Short waves of a field up to this size are transformed whole; a larger field is laid from one tile."""

TILE_SIDES = (384, 512)
"""Sides of the tile for the short waves: at least four of the longest of them, and quick to transform."""

WHOLE_TILE, TILE_LONGEST = 768, 160.0
"""Side of a tile that carries all waves of a field whose longest are no longer than the second number, and is bent by
a flow of no longer waves before it is laid: at least four of each."""

WIDE_STRIDE = 320
"""Distance of cuttings from such a tile; as much as it holds in a wide field."""

MANY_SAMPLES = 1_000_000
"""From here on the larger tile is a small part of the work, and a cutting a small part of the frame."""

MARGIN_SAMPLES = 6
"""Coarse samples made beyond every edge: what a spline feels of it falls by a factor 0.27 each sample."""

BAND_SAMPLES = 96
"""Rows made at a time."""

Tone = Callable[[FloatArray], FloatArray]
"""A curve that a field's values go through."""


def field(shape: tuple[int, int], spectrum: Spectrum, rng: np.random.Generator) -> FloatArray:
    """Return the plane of `field_rows`."""
    return plane(field_rows(shape, spectrum, rng), shape)


def field_rows(shape: tuple[int, int], spectrum: Spectrum, rng: np.random.Generator, tone: Tone | None = None) -> Rows:
    """Return what gives the rows of a Gaussian random field, float32, of expected mean 0 and variance 1.

    The expectation is over all fields of this spectrum: one field alone has the mean and variance that its
    longest waves happen to give it. Opposite edges are not alike. Time: a tenth of an FFT pair of a large
    frame, less by the square of the grid step where `finest_px` is 8 or more; then `tone` may be given, a curve
    that values go through on the coarse grid, where it costs next to nothing.
    """
    step = grid_step(spectrum.finest_px)
    longest = spectrum.longest_px or 2.0 * max(shape)
    if step == 1:
        return _two_grids(shape, spectrum, longest, rng)
    small = field(small_shape(shape, step), on_grid(spectrum, step, shape), rng)
    return enlarged_rows(small if tone is None else tone(small), step, shape)


def tile(side: int, spectrum: Spectrum, rng: np.random.Generator) -> FloatArray:
    """Return a periodic field, float32 (side, side), of mean 0 and expected variance 1, for a `Patchwork`.

    `longest_px` defaults to an eighth of the side.
    """
    longest = spectrum.longest_px or side / 8
    return one_grid((side, side), replace(spectrum, longest_px=longest), 1, (0, 0), rng)


def one_grid(
    shape: tuple[int, int], spectrum: Spectrum, step: int, pads: tuple[int, int], rng: np.random.Generator
) -> FloatArray:
    """Return a field of unit variance, sampled every `step` pixels, from one periodic `pads` samples larger."""
    part = Part(spectrum, float(spectrum.longest_px or 0), step, math.inf, long_waves=False)
    periodic, variance = synthesise(shape, pads, part, rng)
    periodic *= np.float32(1.0 / math.sqrt(variance))
    return periodic


def pads(shape: tuple[int, int], longest: float) -> tuple[int, int]:
    """Return how much larger a periodic field is made, lest its opposite edges be alike.

    By two of the longest waves or as much again, and so that at least one of them fits, even in a small frame.
    """
    span = math.ceil(longest)
    h, w = (max(min(side, 2 * span), span - side) for side in shape)
    return h, w


def on_grid(spectrum: Spectrum, step: int, shape: tuple[int, int]) -> Spectrum:
    """Return the spectrum with its lengths counted in samples of a grid `step` pixels wide."""
    longest = (spectrum.longest_px or 2.0 * max(shape)) / step
    return replace(spectrum, longest_px=longest, finest_px=spectrum.finest_px / step)


def grid_step(finest_px: float) -> int:
    """Return the largest power of two that leaves at least four samples to the finest wave."""
    return max(1, 1 << max(0, math.floor(math.log2(max(finest_px, 1.0) / 4.0))))


def small_shape(shape: tuple[int, int], step: int) -> tuple[int, int]:
    h, w = (-(-side // step) + 2 * MARGIN_SAMPLES for side in shape)
    return h, w


def _bands(height: int) -> Iterator[slice]:
    """Yield the rows of a plane in bands whose samples stay in the processor's cache."""
    for top in range(0, height, BAND_SAMPLES):
        yield slice(top, min(top + BAND_SAMPLES, height))


def plane(rows: Rows, shape: tuple[int, int]) -> FloatArray:
    plane = np.empty(shape, dtype=np.float32)
    for part in _bands(shape[0]):
        plane[part] = rows(part)
    return plane


def enlarged_rows(small: FloatArray, step: int, shape: tuple[int, ...], *, edge: int | None = None) -> Rows:
    """Return what enlarges `small` to rows of `shape`, which begins `edge` of its samples within.

    None: the margin of `MARGIN_SAMPLES` that `small` has.
    """
    first = MARGIN_SAMPLES * step if edge is None else edge
    grown = Enlargement.through(small, step)

    def rows(part: slice) -> FloatArray:
        return grown.rows(slice(part.start + first, part.stop + first))[:, first : first + shape[1]]

    return rows


def _two_grids(shape: tuple[int, int], spectrum: Spectrum, longest: float, rng: np.random.Generator) -> Rows:
    """Return what gives rows of a field of unit variance, its long waves from a coarser grid."""
    if longest <= TILE_LONGEST and shape[0] * shape[1] > WHOLE_SAMPLES:
        return Patchwork(tile(WHOLE_TILE, spectrum, rng), WIDE_STRIDE).wide(shape).over(shape, rng).rows
    small = small_shape(shape, COARSE_STEP)
    part = Part(spectrum, longest, COARSE_STEP, float(SPLIT_SAMPLES), long_waves=True)
    coarse, coarse_variance = synthesise(small, pads(small, longest / COARSE_STEP), part, rng)
    part = Part(spectrum, longest, 1, float(SPLIT_SAMPLES), long_waves=False)
    short, pad = _short_sides(shape)
    periodic, short_variance = synthesise(short, (pad, pad), part, rng)
    scale = np.float32(1.0 / math.sqrt(coarse_variance + short_variance))
    periodic *= scale
    coarse *= scale
    long_rows = enlarged_rows(coarse, COARSE_STEP, shape)
    if pad:
        return lambda part: periodic[part] + long_rows(part)
    laid = Patchwork(periodic).wide(shape).over(shape, rng)

    def rows(part: slice) -> FloatArray:
        band = laid.rows(part)
        band += long_rows(part)
        return band

    return rows


def _short_sides(shape: tuple[int, int]) -> tuple[tuple[int, int], int]:
    """Return sides and padding of the short waves' field: whole if it is small, else a tile to cut from."""
    pad = 2 * SPLIT_SAMPLES  # one and a half of the longest waves that this grid carries
    if (shape[0] + pad) * (shape[1] + pad) <= WHOLE_SAMPLES:
        return shape, pad
    return (tile_side(shape), tile_side(shape)), 0


def tile_side(shape: tuple[int, int]) -> int:
    """Return the side of the tile that noise for a frame of `shape` samples is cut from."""
    return TILE_SIDES[0] if shape[0] * shape[1] < MANY_SAMPLES else TILE_SIDES[1]
