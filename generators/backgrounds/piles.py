"""Bushes and stones by the thousand from one periodic tile of them: cuttings piled up where they meet.

A cross-fade would leave things half there. Where two cuttings meet, the one is seen that is taller, and each counts the
less the further it reaches into the other: one thing stands before another, and no straight line shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from .base import FloatArray
from .noise import WHOLE_SAMPLES
from .raster import Rows, kept, wrapped

PILE_TILE = 896
"""Side of the tile: eight hundred bushes or more."""

APART = 3
"""A cutting begins at least the tile's side over this, down or across, from where its neighbours do: nothing comes up
again close by."""

STRIDE, OVERLAP = 736, 48
"""Distance of cuttings, and the width of the seam in which two meet, samples."""

SINKING = 3.0
"""How much less a cutting counts at the far end of a seam than at the near one, in the unit of heights."""

Look = Callable[[tuple[int, int], bool], tuple[FloatArray, FloatArray]]
"""Makes light and height of a plane of things; the second argument says whether it is periodic."""


def piled_rows(shape: tuple[int, int], look: Look, rng: np.random.Generator) -> Rows:
    """Return what gives rows of the light that `look` makes: whole in a small plane, from cuttings in a large one."""
    if shape[0] * shape[1] <= WHOLE_SAMPLES:
        light, _ = look(shape, False)
        return kept(light)
    return Pile(*look((PILE_TILE, PILE_TILE), True)).over(shape, rng)


@dataclass(frozen=True, slots=True)
class Pile:
    """A periodic tile of things.

    Attributes
    ----------
    light, tops
        What is seen of them and how tall they are, float32 of one shape.
    """

    light: FloatArray
    tops: FloatArray

    def over(self, shape: tuple[int, int], rng: np.random.Generator) -> Rows:
        """Return what gives rows of cuttings of it that cover `shape`."""
        side = STRIDE + OVERLAP
        light, tops = (wrapped(plane, 0, side) for plane in (self.light, self.tops))
        first = rng.integers(side, size=2) - side  # the seams are nowhere in particular
        down, across = (range(int(start), length, STRIDE) for start, length in zip(first, shape, strict=True))
        corners: list[tuple[int, int]] = []
        for number in range(len(down) * len(across)):
            beside = [corners[number - back] for back in (1, len(across)) if back <= number]
            corners.append(_corner(self.light.shape, beside, rng))
        places = ((top, left) for top in down for left in across)
        cuttings = [
            _Cutting(top, left, light[y : y + side, x : x + side], tops[y : y + side, x : x + side])
            for (top, left), (y, x) in zip(places, corners, strict=True)
        ]

        def rows(part: slice) -> FloatArray:
            band = np.empty((part.stop - part.start, shape[1]), dtype=np.float32)
            heights = np.full_like(band, -np.inf)
            for cutting in cuttings:
                cutting.lay(band, heights, part.start)
            return band

        return rows


def _corner(shape: tuple[int, ...], beside: list[tuple[int, int]], rng: np.random.Generator) -> tuple[int, int]:
    """Return where in the tile a cutting begins, a share of `APART` away from those beside it as the tile goes on."""
    while True:
        corner = int(rng.integers(shape[0])), int(rng.integers(shape[1]))
        shifts = [
            [(one - other) % side / side for one, other, side in zip(corner, each, shape, strict=True)]
            for each in beside
        ]
        if all(any(1 / APART <= shift <= 1 - 1 / APART for shift in both) for both in shifts):
            return corner


@dataclass(frozen=True, slots=True)
class _Cutting:
    """A cutting and the place of its first sample; its edges, `OVERLAP` wide, lie in seams."""

    top: int
    left: int
    light: FloatArray
    tops: FloatArray

    def lay(self, band: FloatArray, heights: FloatArray, start: int) -> None:
        """Lay it over the rows of a plane from `start` on, of which `heights` holds the tallest so far in seams."""
        for rows, down, fall in _zones(self.top - start, band.shape[0]):
            for columns, across, drop in _zones(self.left, band.shape[1]):
                light, height = self.light[down, across], self.tops[down, across]
                if fall is None and drop is None:
                    band[rows, columns] = light
                    continue
                if fall is not None:
                    height = height - fall[:, None]
                if drop is not None:
                    height = height - drop
                taller = height > heights[rows, columns]
                np.copyto(band[rows, columns], light, where=taller)
                np.copyto(heights[rows, columns], height, where=taller)


def _zones(start: int, length: int) -> Iterator[tuple[slice, slice, FloatArray | None]]:
    """Yield what a cutting from `start` on covers of `length` samples, seams and between, part by part.

    Where a part lies in them, where in the cutting, and how the cutting sinks there, None between seams.
    """
    way = (np.arange(OVERLAP, dtype=np.float32) + np.float32(0.5)) * np.float32(SINKING / OVERLAP)
    for first, last, sinks in ((0, OVERLAP, way[::-1]), (OVERLAP, STRIDE, None), (STRIDE, STRIDE + OVERLAP, way)):
        low, high = max(first, -start), min(last, length - start)
        if low < high:
            sunk = None if sinks is None else sinks[low - first : high - first]
            yield slice(start + low, start + high), slice(low, high), sunk
