"""Much noise from little: random cuttings of one periodic tile, laid side by side with no period of their own.

Every cutting starts at a random place of the tile and may be turned by half a turn. Where two meet they are
cross-faded with weights whose squares add up to one, which keeps the variance of a field.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from .base import WIDE_SAMPLES, FloatArray
from .raster import wrapped


@dataclass(frozen=True, slots=True)
class Patchwork:
    """A periodic tile and how cuttings of it are laid.

    Attributes
    ----------
    tile
        Float32 of any size.
    stride
        Distance of the cuttings in samples.
    overlap
        Width of the cross-fade, at most the stride; structures longer than it are broken up.
    turns
        Whether cuttings may be turned by 180°. A Gaussian field looks the same so turned; a lit surface
        does not.
    mean
        The tile's mean, which a cross-fade keeps too.
    """

    tile: FloatArray
    stride: int = 192
    overlap: int = 64
    turns: bool = True
    mean: float = 0.0

    def over(self, shape: tuple[int, int], rng: np.random.Generator) -> Laid:
        """Return a field of `shape` whose rows can be asked for."""
        left = int(rng.integers(self.overlap, self.overlap + self.stride))  # the seams are nowhere in particular
        count = -(-(shape[1] + self.overlap) // self.stride) + 1
        sources = self._sources()
        cuttings = [self._cuttings(sources, count, rng) for _ in range(-(-shape[0] // self.stride) + 1)]
        return Laid(self, cuttings, left, shape)

    def fill(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return the whole field, float32 of `shape`."""
        return self.over(shape, rng).rows(slice(0, shape[0]))

    def wide(self, shape: tuple[int, int]) -> Patchwork:
        """Return the same with cuttings as large as the tile where a field has so many that it makes no difference.

        They then need less than half as much cross-fading, over half the width; the tile is found again as often as
        before.
        """
        overlap = self.overlap // 2
        stride = min(self.tile.shape) - overlap
        if stride <= self.stride or shape[0] * shape[1] < WIDE_SAMPLES:
            return self
        return replace(self, stride=stride, overlap=overlap)

    def _sources(self) -> tuple[FloatArray, FloatArray]:
        """Return the tile, so far repeated that every cutting lies in it, and the same turned by 180°."""
        side = self.stride + self.overlap
        source = wrapped(self.tile, 0, side)
        # Rows that run backwards are slow to add.
        return source, np.ascontiguousarray(source[::-1, ::-1]) if self.turns else source

    def _cuttings(
        self, sources: tuple[FloatArray, FloatArray], count: int, rng: np.random.Generator
    ) -> list[FloatArray]:
        """Return a row of cuttings, from left to right."""
        side = self.stride + self.overlap
        cuttings = []
        for _ in range(count):
            y, x = (int(rng.integers(length)) for length in self.tile.shape)
            turned = self.turns and rng.random() < 0.5
            if turned:
                y, x = (length - side - at for length, at in zip(sources[0].shape, (y, x), strict=True))
            cuttings.append(sources[turned][y : y + side, x : x + side])
        return cuttings


class Laid:
    """Cuttings in their places: a field whose rows can be asked for in any order.

    Parameters
    ----------
    work
        What they are cut from, and how they are laid.
    cuttings
        Rows of them; the first of each begins `left` samples before the field, the first row one stride above it.
    left
        At least the overlap.
    shape
        Of the field.
    """

    def __init__(self, work: Patchwork, cuttings: list[list[FloatArray]], left: int, shape: tuple[int, int]) -> None:
        self._work, self._cuttings, self._left, self.shape = work, cuttings, left, shape
        phase = (np.arange(work.overlap, dtype=np.float32) + np.float32(0.5)) * np.float32(0.5 * math.pi / work.overlap)
        self._rising, self._falling = np.sin(phase), np.cos(phase)
        total = np.ones(work.stride, dtype=np.float32)
        total[: work.overlap] = self._rising + self._falling
        self._total = total[(np.arange(shape[1]) + left) % work.stride]
        self._inner, self._fades = self._zones(slice(work.overlap, work.stride)), self._zones(slice(0, work.overlap))

    def rows(self, part: slice, room: FloatArray | None = None) -> FloatArray:
        """Return some rows of the field, in the first rows of `room` if it is given."""
        stride, count = self._work.stride, part.stop - part.start
        band = np.empty((count, self.shape[1]), dtype=np.float32) if room is None else room[:count]
        for number in range(part.start // stride, -(-part.stop // stride)):
            first, last = (min(max(row - number * stride, 0), stride) for row in (part.start, part.stop))
            top = number * stride + first - part.start
            self._lay(band[top : top + last - first], number, first)
        return band

    def _lay(self, band: FloatArray, number: int, first: int) -> None:
        """Fill rows of which the first is `first` below the upper edge of a row of cuttings."""
        work = self._work
        faded = min(max(work.overlap - first, 0), len(band))
        self._across(band[faded:], self._cuttings[number + 1], first + faded, work.mean)
        if faded:
            above = np.empty_like(band[:faded])
            self._across(above, self._cuttings[number], work.stride + first)
            self._across(band[:faded], self._cuttings[number + 1], first)
            fade = slice(first, first + faded)
            rising, falling = self._rising[fade, None], self._falling[fade, None]
            above *= falling
            band[:faded] *= rising
            band[:faded] += above
            if work.mean:
                band[:faded] += np.float32(work.mean) * (1 - (rising + falling) * self._total)

    def _across(self, band: FloatArray, cuttings: list[FloatArray], down: int, mean: float = 0.0) -> None:
        """Fill a band with rows of cuttings, from row `down` of each on, faded into each other from left to right.

        What lies inside all cross-fades is merely copied.
        """
        rows = slice(down, down + len(band))
        for number, (here, there) in self._inner:
            band[:, there] = cuttings[number][rows, here]
        stride = self._work.stride
        for number, (here, there) in self._fades:
            faded, before = band[:, there], slice(stride + here.start, stride + here.stop)
            np.multiply(cuttings[number - 1][rows, before], self._falling[here], out=faded)
            faded += cuttings[number][rows, here] * self._rising[here]
            if mean:
                faded += np.float32(mean) * (1 - self._total[there])

    def _zones(self, zone: slice) -> list[tuple[int, tuple[slice, slice]]]:
        """Return numbers of cuttings of which the field shares a zone, and that part of it in them and in the field."""
        starts = ((number, number * self._work.stride - self._left) for number in range(len(self._cuttings[0])))
        shares = ((number, _shared(zone, start, self.shape[1])) for number, start in starts)
        return [(number, share) for number, share in shares if share]


def _shared(zone: slice, start: int, length: int) -> tuple[slice, slice] | None:
    """Return the part of a cutting's zone that `length` samples share, in it and in them; it begins at `start`."""
    low, high = max(zone.start, -start), min(zone.stop, length - start)
    return (slice(low, high), slice(low + start, high + start)) if low < high else None
