"""Mist: nothing but grey, or ridges that fade into it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, finest_detail, pick_kind, scene_span
from .bent import bent_rows
from .canvas import Painting, Texture, canvas_shape, full_size
from .noise import Spectrum, field, tile, tile_side
from .raster import Rows, blended, colour, rows, smoothstep
from .tiles import Patchwork

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

    def lay(self, mist: FloatArray, wood: FloatArray, detail: FloatArray, part: slice) -> None:
        """Lay the ridge over amounts of mist and wood and the strength of texture in some rows, in place."""
        first = max(part.start, math.floor(self.edge.min()))
        if first >= part.stop:
            return  # all above the skyline
        below = slice(first - part.start, part.stop - part.start)
        cover: FloatArray = np.arange(first, part.stop, dtype=np.float32)[:, None] - self.edge
        cover += np.float32(0.5)
        np.clip(cover, 0, 1, out=cover)
        cover *= self.clearing(slice(first, part.stop))
        seen = float(self.seen)
        foliage = 0.04 * seen / (0.6 - 0.57 * seen)  # contrast of leaves in absolute light, behind this much mist
        for plane, there in ((mist, 1 - seen), (wood, seen), (detail, foliage)):
            plane[below] += cover * (np.float32(there) - plane[below])


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
        wood, detail = np.zeros_like(mist), np.zeros_like(mist)
        for ridge in ridges:
            ridge.lay(mist, wood, detail, part)
        return np.concatenate((blended((mist, wood), (VEIL, WOOD)), detail[None]))

    return planes


def _skyline(shape: tuple[int, int], top: float, near: float, rng: np.random.Generator) -> FloatArray:
    """Return the row of the tree tops in every column, fractional; trees stand taller on nearer ridges."""
    w, size = shape[1], 4.0 + 22.0 * near**1.5
    hill = field((16, w), Spectrum(2.2, 1.2 * w, 2.0), rng)[8] * np.float32(0.06 * shape[0])
    at = np.arange(w)
    skyline = np.zeros(w)
    for _ in range(int(1.6 * w / (0.45 * size)) + 1):
        middle, height = rng.uniform(0, w), size * rng.uniform(0.45, 1.0) ** 0.7
        low, high = (int(np.clip(middle + side * 0.3 * height, 0, w)) for side in (-1, 1))
        cone = height * (1 - np.abs(at[low:high] - middle) / (0.3 * height + 0.5))
        skyline[low:high] = np.maximum(skyline[low:high], cone)
    ragged = field((16, w), Spectrum(0.5, 8.0, 2.0), rng)[8] * np.float32(0.05 * size)
    return np.asarray(top + hill - skyline + ragged, dtype=np.float32)


def _clearing(shape: tuple[int, int], top: float, rng: np.random.Generator) -> Rows:
    """Return what gives how clear a ridge stands: 1 at its skyline, less where mist lies at its foot."""
    span = scene_span(shape)
    below = (np.arange(shape[0], dtype=np.float32)[:, None] - np.float32(top)) / np.float32(0.35 * shape[0])
    swathes = bent_rows(shape, Spectrum(2.0, 0.4 * span, _finest(span), 2.5), rng, bend_px=0.3 * span)
    return lambda part: 1 - np.float32(0.8) * smoothstep(below[part] + np.float32(0.25) * swathes(part), 0.15, 1.1)
