"""Random fields with a power-law amplitude spectrum, the stuff of clouds, snow and heath."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from .base import FloatArray
from .raster import Enlargement, Rows, remapped
from .tiles import Patchwork
from .view import View
from .waves import Part, Spectrum, synthesise

__all__ = ["Spectrum", "bent_field", "bent_rows", "field", "field_rows", "laid", "tile", "tile_side"]

SPLIT_SAMPLES = 64
"""Waves longer than this many samples are made on a grid `COARSE_STEP` times coarser.

That grid is cheap enough to be twice as wide as the frame, so that its period never shows: the long waves
are the ones that would make opposite edges alike.
"""

COARSE_STEP = 8
"""Leaves 8 samples to the shortest of the long waves, which cubic enlargement carries without a trace."""

TILE_SIDES = (384, 512)
"""Sides of the tile for the short waves: at least four of the longest of them, and quick to transform."""

MANY_SAMPLES = 1_000_000
"""From here on the larger tile is a small part of the work, and a cutting a small part of the frame."""

MARGIN_SAMPLES = 6
"""Coarse samples made beyond every edge: what a spline feels of it falls by a factor 0.27 each sample."""

BAND_SAMPLES = 96
"""Rows made at a time."""

BEND_REACH = 1 / 14
"""Displacement over wavelength of the flow in `bent_field`; from about 1/9 it folds and looks marbled."""


def field(shape: tuple[int, int], spectrum: Spectrum, rng: np.random.Generator) -> FloatArray:
    """Return a Gaussian random field, float32 (height, width), of expected mean 0 and variance 1.

    The expectation is over all fields of this spectrum: one field alone has the mean and variance that its
    longest waves happen to give it. Opposite edges are not alike. Time: a third of an FFT pair of a large
    frame, less by the square of the grid step where `finest_px` is 8 or more.
    """
    step = _grid_step(spectrum.finest_px)
    if step > 1:
        return _plane(field_rows(shape, spectrum, rng), shape)
    return _two_grids(shape, spectrum, spectrum.longest_px or 2.0 * max(shape), step=1, rng=rng)


def field_rows(shape: tuple[int, int], spectrum: Spectrum, rng: np.random.Generator) -> Rows:
    """Return what gives the rows of a `field` whose `finest_px` is 8 or more, of which no plane is kept."""
    step = _grid_step(spectrum.finest_px)
    longest = spectrum.longest_px or 2.0 * max(shape)
    small = _two_grids(_small_shape(shape, step), spectrum, longest, step=step, rng=rng)
    return _enlarged_rows(small, step, shape)


def bent_field(
    shape: tuple[int, int], spectrum: Spectrum, rng: np.random.Generator, *, bend_px: float, view: View | None = None
) -> FloatArray:
    """Return the plane of `bent_rows`."""
    return _plane(bent_rows(shape, spectrum, rng, bend_px=bend_px, view=view), shape)


def bent_rows(
    shape: tuple[int, int], spectrum: Spectrum, rng: np.random.Generator, *, bend_px: float, view: View | None = None
) -> Rows:
    """Return what gives rows of `field` carried off by a smooth flow: no longer Gaussian, with streaks and folds.

    Parameters
    ----------
    shape, spectrum, rng
        As for `field`.
    bend_px
        Longest wave of the flow, pixels. Points are carried up to `BEND_REACH` of it.
    view
        How the field is drawn together towards the top; lengths are those at scale 1.
    """
    step = _grid_step(spectrum.finest_px)
    if step > 1:
        small_shape, on_grid = _small_shape(shape, step), _on_grid(spectrum, step, shape)
        small = bent_field(small_shape, on_grid, rng, bend_px=bend_px / step, view=view)
        return _enlarged_rows(small, step, shape)
    reach = math.ceil(BEND_REACH * bend_px)
    height, width = shape if view is None else view.surface(shape)
    source = field((height + 2 * reach, width + 2 * reach), spectrum, rng)
    column, row = _flow(shape, bend_px, reach, rng, view)
    return lambda part: remapped(source, column(part), row(part))


def _flow(
    shape: tuple[int, int], bend_px: float, reach: int, rng: np.random.Generator, view: View | None
) -> tuple[Rows, Rows]:
    """Return what gives the column and row of the source for rows of samples, carried up to `reach` from their places.

    Places are smooth, so they are made on the flow's own coarse grid and enlarged: a spline keeps planes.
    """
    flow = Spectrum(exponent=2.0, longest_px=bend_px, finest_px=max(bend_px / 6, 2.0))
    # One sample to the finest wave: that one and the next octave have less than a tenth of the longest one's amplitude.
    step = _grid_step(4 * flow.finest_px)
    small = _small_shape(shape, step)
    x, y = (step * (np.arange(side, dtype=np.float32) - MARGIN_SAMPLES) for side in (small[1], small[0]))
    places = []
    owns = (x, y[:, None]) if view is None else view.place(x, y, shape)
    for own, flatness in zip(owns, (1.0, 1.0 if view is None else view.flatness), strict=True):
        carried = _two_grids(small, flow, bend_px, step=step, rng=rng)
        place = np.float32(reach / flatness) * np.tanh(np.float32(0.6) * carried) + np.float32(reach)
        place += own
        places.append(_enlarged_rows(place, step, shape))
    return places[0], places[1]


def tile(side: int, spectrum: Spectrum, rng: np.random.Generator) -> FloatArray:
    """Return a periodic field, float32 (side, side), of mean 0 and expected variance 1, for a `Patchwork`.

    `longest_px` defaults to an eighth of the side.
    """
    longest = spectrum.longest_px or side / 8
    part = Part(spectrum, longest, 1, math.inf, long_waves=False)
    periodic, variance = synthesise((side, side), (0, 0), part, rng)
    periodic *= np.float32(1.0 / math.sqrt(variance))
    return periodic


def _on_grid(spectrum: Spectrum, step: int, shape: tuple[int, int]) -> Spectrum:
    """Return the spectrum with its lengths counted in samples of a grid `step` pixels wide."""
    longest = (spectrum.longest_px or 2.0 * max(shape)) / step
    return replace(spectrum, longest_px=longest, finest_px=spectrum.finest_px / step)


def _grid_step(finest_px: float) -> int:
    """Return the largest power of two that leaves at least four samples to the finest wave."""
    return max(1, 1 << max(0, math.floor(math.log2(max(finest_px, 1.0) / 4.0))))


def _small_shape(shape: tuple[int, int], step: int) -> tuple[int, int]:
    h, w = (-(-side // step) + 2 * MARGIN_SAMPLES for side in shape)
    return h, w


def _bands(height: int) -> Iterator[slice]:
    """Yield the rows of a plane in bands whose samples stay in the processor's cache."""
    for top in range(0, height, BAND_SAMPLES):
        yield slice(top, min(top + BAND_SAMPLES, height))


def _bands_of(plane: FloatArray) -> Iterator[FloatArray]:
    return (plane[rows] for rows in _bands(len(plane)))


def _plane(rows: Rows, shape: tuple[int, int]) -> FloatArray:
    plane = np.empty(shape, dtype=np.float32)
    for part in _bands(shape[0]):
        plane[part] = rows(part)
    return plane


def _enlarged_rows(small: FloatArray, step: int, shape: tuple[int, int]) -> Rows:
    """Return what enlarges `small`, which has a margin of `MARGIN_SAMPLES`, to rows of `shape`."""
    edge = MARGIN_SAMPLES * step
    grown = Enlargement.through(small, step)

    def rows(part: slice) -> FloatArray:
        return grown.rows(slice(part.start + edge, part.stop + edge))[:, edge : edge + shape[1]]

    return rows


def _two_grids(
    shape: tuple[int, int], spectrum: Spectrum, longest: float, *, step: int, rng: np.random.Generator
) -> FloatArray:
    """Return the field sampled every `step` pixels, unit variance, long waves from a coarser grid."""
    split_px = float(SPLIT_SAMPLES * step)
    coarse_step = step * COARSE_STEP
    coarse_shape = _small_shape(shape, COARSE_STEP)
    h, w = coarse_shape
    span = math.ceil(longest / coarse_step)  # at least one of the longest waves fits, even in a small frame
    coarse, coarse_variance = synthesise(
        coarse_shape,
        (max(h, span - h), max(w, span - w)),
        Part(spectrum, longest, coarse_step, split_px, long_waves=True),
        rng,
    )
    part = Part(spectrum, longest, step, split_px, long_waves=False)
    short, pad = _short_sides(shape)
    periodic, short_variance = synthesise(short, pad, part, rng)
    scale = np.float32(1.0 / math.sqrt(coarse_variance + short_variance))
    periodic *= scale
    coarse *= scale
    long_rows = _enlarged_rows(coarse, COARSE_STEP, shape)
    field, bands = (periodic, _bands_of(periodic)) if pad[0] else laid(periodic, shape, rng)
    top = 0
    for band in bands:
        below = top + len(band)
        np.add(band, long_rows(slice(top, below)), out=band)
        top = below
    return field


def _short_sides(shape: tuple[int, int]) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return sides and padding of the short waves' field: whole if it is small, else a tile to cut from."""
    pad = 2 * SPLIT_SAMPLES  # one and a half of the longest waves that this grid carries
    side = tile_side(shape)
    return (shape, (pad, pad)) if max(shape) + pad <= side else ((side, side), (0, 0))


def laid(
    periodic: FloatArray, shape: tuple[int, int], rng: np.random.Generator
) -> tuple[FloatArray, Iterator[FloatArray]]:
    """Return a field of the tile's variance that correlates with itself by less than 0.1 at any distance.

    Its rows are there when the bands that come with it, from top to bottom, have been asked for; each is then in the
    processor's cache. In a small frame every cutting is a large part of it, so two patchworks are added.
    """
    if shape[0] * shape[1] >= MANY_SAMPLES:
        field = np.empty(shape, dtype=np.float32)
        return field, Patchwork(periodic).wide(shape).bands(shape, rng, out=field)
    field = Patchwork(periodic).fill(shape, rng)
    field += Patchwork(periodic, stride=160).fill(shape, rng)
    field *= np.float32(math.sqrt(0.5))
    return field, _bands_of(field)


def tile_side(shape: tuple[int, int]) -> int:
    """Return the side of the tile that noise for a frame of `shape` samples is cut from."""
    return TILE_SIDES[0] if shape[0] * shape[1] < MANY_SAMPLES else TILE_SIDES[1]
