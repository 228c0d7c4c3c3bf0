"""Mist: nothing but grey, or ridges that fade into it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, finest_detail, pick_kind, scene_span
from .bent import bent_rows
from .canvas import Painting, Texture, canvas_shape, full_size
from .noise import MARGIN_SAMPLES, Spectrum, one_grid, tile, tile_side
from .raster import Rows, blended, cached, colour, rows, smoothstep
from .tiles import Patchwork
from .tint import Tint

KINDS = ("veil", "ridges")

VEIL = colour(0.57, 0.59, 0.61)
"""Cloud from inside, in daylight."""

WOOD = colour(0.030, 0.036, 0.030)
"""Conifers against the light, without any mist before them."""


@dataclass(frozen=True, slots=True)
class Mist:
    """Hill fog.

    Attributes
    ----------
    kind
        ``"veil"`` (slow unevenness of a few per cent and no more), ``"ridges"`` (wooded ridges, one behind
        the other, each paler than the one before) or ``"mixed"``, one of the two by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("mist", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        canvas = canvas_shape(shape)
        veil = _veil(canvas, rng)
        if kind == "veil":
            return full_size(lambda part: np.asarray(VEIL * veil(part), dtype=np.float32), shape, rng)
        painting = _ridges(veil, canvas, rng)
        leaves = tile(tile_side(shape), Spectrum(0.9, 40.0, 2.3, 1.5, 90.0), rng)
        return full_size(painting, shape, rng, Texture(Patchwork(leaves), None))


def _veil(shape: tuple[int, int], rng: np.random.Generator) -> Rows:
    """Return what gives the light in mist: more of it upwards, with drifting swathes."""
    span = scene_span(shape)
    swathes = bent_rows(shape, Spectrum(2.4, 0.8 * span, _finest(span), 2.0), rng, bend_px=0.6 * span)
    contrast = np.float32(rng.uniform(0.02, 0.07))
    fall = np.float32(rng.uniform(-0.05, 0.35)) * rows(shape)
    exposure = np.float32(rng.uniform(0.85, 1.2))

    def light(part: slice) -> FloatArray:
        lit = contrast * swathes(part)
        lit -= fall[part]
        np.exp(lit, out=lit)
        lit *= exposure
        return np.asarray(lit, dtype=np.float32)

    return light


def _finest(span: float) -> float:
    """Return the finest wave of swathes in samples: 12, more in a wide scene, where they are no wider in proportion."""
    return max(12.0, 4 * finest_detail(span))


@dataclass(frozen=True, slots=True)
class _Ridge:
    """A wooded ridge behind mist.

    Attributes
    ----------
    edge
        The row of its skyline in every column of the canvas.
    clearing
        Gives, for rows, how clear it stands.
    seen
        The share of its light that comes through the mist.
    """

    edge: FloatArray
    clearing: Rows
    seen: np.float32

    def lay(self, wood: FloatArray, part: slice) -> None:
        """Lay the ridge over the amount of wood in some rows, in place."""
        first = max(part.start, math.floor(self.edge.min()))
        if first >= part.stop:
            return  # all above the skyline
        cover = self.clearing(slice(first, part.stop))
        last = min(part.stop, math.ceil(self.edge.max()) + 1)  # from here on there is no sky
        if first < last:
            below: FloatArray = np.arange(first, last, dtype=np.float32)[:, None] - (self.edge - np.float32(0.5))
            cover[: last - first] *= np.clip(below, 0, 1, out=below)
        below_it = wood[first - part.start :]
        for some in cached(cover.shape):
            below_it[some] += cover[some] * (self.seen - below_it[some])


def _ridges(veil: Rows, shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    """Return what paints the veil with ridges in it and, as a fourth plane, the strength of the leaves' texture."""
    layers = int(rng.integers(3, 6))
    ridges = []
    for layer in range(layers):
        near = (layer + 1) / layers
        top = shape[0] * (0.15 + 0.75 * (layer + rng.uniform(0.0, 0.6)) / layers)
        edge = _skyline(shape, top, near, rng)
        # Koschmieder: what is seen of a thing through mist falls exponentially with distance (from memory).
        ridges.append(_Ridge(edge, _clearing(shape, top, rng), np.float32(0.85 * near**2.2)))

    def planes(part: slice) -> FloatArray:
        mist = veil(part)
        wood = np.zeros_like(mist)
        for ridge in ridges:
            ridge.lay(wood, part)
        out = np.empty((4, *mist.shape), dtype=np.float32)
        for some in cached(mist.shape):
            seen = wood[some]
            out[:3, some] = blended((mist[some] * (1 - seen), seen), (VEIL, WOOD))
            # Contrast of leaves in absolute light, behind this much mist.
            np.divide(np.float32(0.04) * seen, np.float32(0.6) - np.float32(0.57) * seen, out=out[3, some])
        return out

    return planes


def _skyline(shape: tuple[int, int], top: float, near: float, rng: np.random.Generator) -> FloatArray:
    """Return the row of the tree tops in every column, fractional; trees stand taller on nearer ridges."""
    w, size = shape[1], 4.0 + 22.0 * near**1.5
    hill = _line(w, Spectrum(1.7, 1.2 * w), rng) * np.float32(0.06 * shape[0])
    count = int(1.6 * w / (0.45 * size)) + 1
    middles, heights = rng.uniform(0, w, count), size * rng.uniform(0.45, 1.0, count) ** 0.7
    reach = np.arange(-math.ceil(0.3 * size) - 1, math.ceil(0.3 * size) + 2)
    columns = np.floor(middles).astype(np.intp)[:, None] + reach
    cones = heights[:, None] * (1 - np.abs(columns - middles[:, None]) / (0.3 * heights[:, None] + 0.5))
    skyline, inside = np.zeros(w), (columns >= 0) & (columns < w)
    np.maximum.at(skyline, columns[inside], cones[inside])
    ragged = _line(w, Spectrum(0.0, w), rng) * np.float32(0.05 * size)
    return np.asarray(top + hill - skyline + ragged, dtype=np.float32)


def _line(length: int, spectrum: Spectrum, rng: np.random.Generator) -> FloatArray:
    """Return a line of noise of unit variance, float32 (length,), cut from a periodic one of twice the length."""
    return np.asarray(one_grid((1, length), spectrum, 1, (0, length), rng)[0], dtype=np.float32)


def _clearing(shape: tuple[int, int], top: float, rng: np.random.Generator) -> Rows:
    """Return what gives how clear a ridge stands: 1 at its skyline, less where mist lies at its foot."""
    span, grid = scene_span(shape), Tint(shape, 4, rng)
    down = grid.step * (np.arange(grid.grid[0], dtype=np.float32)[:, None] - MARGIN_SAMPLES)
    below = (down - np.float32(top)) / np.float32(0.35 * shape[0])
    swathes = grid.bent(Spectrum(2.0, 0.4 * span, max(_finest(span), 16.0), 2.5), bend_px=0.3 * span)
    clear = 1 - np.float32(0.8) * smoothstep(below + np.float32(0.25) * swathes, 0.15, 1.1)
    return grid.rows(clear)
