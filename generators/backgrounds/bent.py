"""Random fields carried off by a smooth flow: no longer Gaussian, with streaks and folds."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from .base import FloatArray
from .noise import (
    MARGIN_SAMPLES,
    TILE_LONGEST,
    WHOLE_SAMPLES,
    WHOLE_TILE,
    WIDE_STRIDE,
    Tone,
    enlarged_rows,
    field,
    grid_step,
    on_grid,
    one_grid,
    pads,
    plane,
    small_shape,
    tile,
)
from .raster import Rows, kept, remapped, wrapped
from .tiles import Patchwork
from .view import View
from .waves import Spectrum

BEND_REACH = 1 / 14
"""Displacement over wavelength of a flow; from about 1/9 it folds and looks marbled."""

LOOK_SAMPLES = 16
"""How far a look may reach."""

PLACES = np.float32(256)
"""Rows of a surface are seen to a part of this many of a sample."""

Bent = tuple[float, Spectrum, float]
"""Standard deviation and spectrum of a field, and the longest wave of the flow that bends it, pixels; 0 for none."""


def bent_field(
    shape: tuple[int, int], spectrum: Spectrum, rng: np.random.Generator, *, bend_px: float, view: View | None = None
) -> FloatArray:
    """Return the plane of `bent_rows`."""
    return plane(bent_rows(shape, spectrum, rng, bend_px=bend_px, view=view), shape)


def lit_rows(
    shape: tuple[int, int],
    look: Callable[[tuple[int, int], bool], Sequence[FloatArray]],
    rng: np.random.Generator,
) -> list[Rows]:
    """Return what gives rows of each plane that `look` makes: whole in a small field, cut from tiles in a large one.

    `look` is given a shape and whether what it makes is to be periodic. Planes are cut alike, cross-faded and not
    turned: a lit surface does not look the same from below.
    """
    if shape[0] * shape[1] <= WHOLE_SAMPLES:
        return [kept(plane) for plane in look(shape, False)]
    planes, seed = look((WHOLE_TILE, WHOLE_TILE), True), int(rng.integers(2**63))
    return [_laid(plane, shape, np.random.default_rng(seed), turns=False) for plane in planes]


def _laid(tile: FloatArray, shape: tuple[int, int], rng: np.random.Generator, *, turns: bool) -> Rows:
    """Return what gives rows of cuttings of a tile that keep its mean."""
    work = Patchwork(tile, WIDE_STRIDE, turns=turns, mean=float(tile.mean()))
    return work.wide(shape).over(shape, rng).rows


def look_over(look: Callable[..., FloatArray], planes: Sequence[FloatArray], periodic: bool) -> FloatArray:
    """Return what `look` makes of planes, which may look `LOOK_SAMPLES` around; periodic ones go on at their edges."""
    if not periodic:
        return look(*planes)
    inner = slice(LOOK_SAMPLES, -LOOK_SAMPLES)
    return look(*(wrapped(plane, LOOK_SAMPLES, LOOK_SAMPLES) for plane in planes))[inner, inner]


def bent_plane(
    shape: tuple[int, int], spectrum: Spectrum, rng: np.random.Generator, *, bend_px: float, periodic: bool
) -> FloatArray:
    """Return `bent_field`, or a square tile of it that goes on at the opposite edge."""
    if periodic:
        return _bent_tile(spectrum, bend_px, 1.0, rng, side=shape[0])
    return bent_field(shape, spectrum, rng, bend_px=bend_px)


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
    step = grid_step(spectrum.finest_px)
    if step > 1:
        small = small_shape(shape, step)
        carried = bent_field(small, on_grid(spectrum, step, shape), rng, bend_px=bend_px / step, view=view)
        return enlarged_rows(carried, step, shape)
    if view is None and max(spectrum.longest_px or math.inf, bend_px) > TILE_LONGEST:
        reach = math.ceil(BEND_REACH * bend_px)
        source = field((shape[0] + 2 * reach, shape[1] + 2 * reach), spectrum, rng)
        column, row = _flow(shape, bend_px, reach, rng, 1.0)
        return lambda part: remapped(source, column(part), row(part))
    return summed_rows(shape, [(1.0, spectrum, bend_px)], rng, view=view)


def summed_rows(
    shape: tuple[int, int],
    layers: Sequence[Bent],
    rng: np.random.Generator,
    *,
    view: View | None = None,
    look: Tone | None = None,
) -> Rows:
    """Return what gives rows of the sum of bent fields on the finest grid, laid at once where all come from tiles.

    Parameters
    ----------
    shape, layers, rng, view
        As for `bent_rows`.
    look
        Makes what is seen of the sum; it may look `LOOK_SAMPLES` around. The sum is not turned about then.
    """
    surface = shape if view is None else view.surface(shape)
    longest = max(max(spectrum.longest_px or 2.0 * max(shape), bend) for _, spectrum, bend in layers)
    flatness = 1.0 if view is None else view.flatness
    periodic = longest <= TILE_LONGEST and surface[0] * surface[1] > WHOLE_SAMPLES
    if periodic:
        terms = [weight * _bent_tile(spectrum, bend, flatness, rng) for weight, spectrum, bend in layers]
    else:
        terms = [weight * _carried(surface, spectrum, rng, bend, flatness) for weight, spectrum, bend in layers]
    seen = np.asarray(sum(terms), dtype=np.float32)
    if look is not None:
        seen = look_over(look, [seen], periodic)
    rows = _laid(seen, surface, rng, turns=look is None) if periodic else kept(seen)
    return rows if view is None else _seen(rows, surface[0], view, shape)


def _seen(surface: Rows, height: int, view: View, shape: tuple[int, int]) -> Rows:
    """Return what gives rows of a surface as they are seen."""
    x = np.arange(shape[1], dtype=np.float32)

    def rows(part: slice) -> FloatArray:
        column, row = view.place(x, np.arange(part.start, part.stop, dtype=np.float32), shape)
        row = np.rint(row * PLACES) / PLACES  # so that nothing is lost when it is counted from the first row needed
        above = max(math.floor(float(row[0, 0])), 0)
        below = min(math.ceil(float(row[-1, 0])) + 1, height)
        places = np.empty_like(column)
        places[:] = row - np.float32(above)
        return remapped(surface(slice(above, below)), column, places)

    return rows


def _carried(
    shape: tuple[int, int], spectrum: Spectrum, rng: np.random.Generator, bend_px: float, flatness: float
) -> FloatArray:
    """Return a plane of a field made larger than that and carried off."""
    if not bend_px:
        return field(shape, spectrum, rng)
    reach = math.ceil(BEND_REACH * bend_px)
    source = field((shape[0] + 2 * reach, shape[1] + 2 * reach), spectrum, rng)
    column, row = _flow(shape, bend_px, reach, rng, flatness)
    return plane(lambda part: remapped(source, column(part), row(part)), shape)


def _flow(
    shape: tuple[int, int], bend_px: float, reach: int, rng: np.random.Generator, flatness: float
) -> tuple[Rows, Rows]:
    """Return what gives the column and row of the source for rows of samples, carried up to `reach` from their places.

    Places are smooth, so they are made on the flow's own coarse grid and enlarged: a spline keeps planes.
    """
    flow, step = _flow_waves(bend_px)
    small = small_shape(shape, step)
    x, y = (step * (np.arange(side, dtype=np.float32) - MARGIN_SAMPLES) for side in (small[1], small[0]))
    places = []
    for own, far in ((x, float(reach)), (y[:, None], reach / flatness)):
        carried = one_grid(small, flow, step, pads(small, bend_px / step), rng)
        place = np.float32(far) * np.tanh(np.float32(0.6) * carried) + np.float32(reach)
        place += own
        places.append(enlarged_rows(place, step, shape))
    return places[0], places[1]


def _flow_waves(bend_px: float) -> tuple[Spectrum, int]:
    """Return a flow's spectrum and the step of its grid.

    One sample to the finest wave: that one and the next octave have less than a tenth of the longest one's amplitude.
    """
    flow = Spectrum(exponent=2.0, longest_px=bend_px, finest_px=max(bend_px / 6, 2.0))
    return flow, grid_step(4 * flow.finest_px)


def _bent_tile(
    spectrum: Spectrum, bend_px: float, flatness: float, rng: np.random.Generator, *, side: int = WHOLE_TILE
) -> FloatArray:
    """Return a tile bent by a flow that is as periodic as it is."""
    reach = math.ceil(BEND_REACH * bend_px)
    if not reach:
        return tile(side, spectrum, rng)
    flow, step = _flow_waves(bend_px)
    coarse = side // step
    places = []
    for far in (reach, reach / flatness):
        carried = np.float32(far) * np.tanh(np.float32(0.6) * one_grid((coarse, coarse), flow, step, (0, 0), rng))
        rows = enlarged_rows(wrapped(carried, MARGIN_SAMPLES, MARGIN_SAMPLES), step, (side, side))
        places.append(rows(slice(0, side)) + np.float32(reach))
    places[0] += np.arange(side, dtype=np.float32)
    places[1] += np.arange(side, dtype=np.float32)[:, None]
    return remapped(wrapped(tile(side, spectrum, rng), reach, reach + 1), places[0], places[1])
