"""Much noise from little: random cuttings of one periodic tile, laid side by side with no period of their own.

Every cutting starts at a random place of the tile and may be turned by half a turn. Where two meet they are
cross-faded with weights whose squares add up to one, which keeps the variance of a field of mean 0.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from .base import FloatArray

WIDE_SAMPLES = 4_000_000
"""A field so large holds at least 25 cuttings twice as wide as the usual ones: no distance comes up twice in many."""


@dataclass(frozen=True, slots=True)
class Patchwork:
    """A periodic tile and how cuttings of it are laid.

    Attributes
    ----------
    tile
        Float32 of any size and of mean 0.
    stride
        Distance of the cuttings in samples.
    overlap
        Width of the cross-fade, at most the stride; structures longer than it are broken up.
    turns
        Whether cuttings may be turned by 180°. A Gaussian field looks the same so turned; a lit surface
        does not.
    """

    tile: FloatArray
    stride: int = 192
    overlap: int = 64
    turns: bool = True

    def bands(
        self,
        shape: tuple[int, int],
        rng: np.random.Generator,
        *,
        rows: int | None = None,
        out: FloatArray | None = None,
    ) -> Iterator[FloatArray]:
        """Yield a field of `shape` from top to bottom, `rows` at a time, a part of the stride and by default all of it.

        The last may be fewer. They are the rows of `out`, float32 of `shape`; without it they are overwritten when the
        next ones are asked for: copy what should stay.
        """
        height, width = shape
        step = rows or self.stride
        left = int(rng.integers(self.overlap, self.overlap + self.stride))  # the seams are nowhere in particular
        count = ((width // self.stride + 1) * self.stride + self.overlap) // self.stride + 1
        sources, weights = self._sources(), self._weights()
        room = np.empty((step if out is None else 0, width), dtype=np.float32)
        above = self._cuttings(sources, count, rng)
        for top in range(0, height, self.stride):
            below = self._cuttings(sources, count, rng)
            for first in range(0, min(self.stride, height - top), step):
                last = min(first + step, self.stride, height - top)
                band = room[: last - first] if out is None else out[top + first : top + last]
                band[:] = 0.0
                self._lay(band, above, weights, (self.stride + first, left))
                self._lay(band, below, weights, (first, left))
                yield band
            above = below

    def fill(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return the whole field, float32 of `shape`."""
        out = np.empty(shape, dtype=np.float32)
        for _ in self.bands(shape, rng, out=out):
            pass
        return out

    def wide(self, shape: tuple[int, int]) -> Patchwork:
        """Return the same with cuttings twice as large where a field has so many that it makes no difference.

        They then need half as much cross-fading; the tile is found again as often as before.
        """
        large = 2 * self.stride + self.overlap <= min(self.tile.shape) and shape[0] * shape[1] >= WIDE_SAMPLES
        return replace(self, stride=2 * self.stride) if large else self

    def _weights(self) -> FloatArray:
        """Return the window of one cutting: sin up, 1, cos down, in both directions."""
        phase = (np.arange(self.overlap) + 0.5) * (0.5 * math.pi / self.overlap)
        window = np.concatenate((np.sin(phase), np.ones(self.stride - self.overlap), np.cos(phase)))
        return np.outer(window, window).astype(np.float32)

    def _sources(self) -> tuple[FloatArray, FloatArray]:
        """Return the tile, so far repeated that every cutting lies in it, and the same turned by 180°."""
        side = self.stride + self.overlap
        source = np.pad(self.tile, ((0, side), (0, side)), mode="wrap")
        return source, np.ascontiguousarray(source[::-1, ::-1])  # rows that run backwards are slow to add

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

    def _lay(self, band: FloatArray, cuttings: list[FloatArray], weights: FloatArray, start: tuple[int, int]) -> None:
        """Add a row of cuttings to a band whose first sample is at a row and column of it.

        What lies inside all cross-fades is merely copied.
        """
        side = len(weights)
        first, inner, last = (0, self.overlap), (self.overlap, self.stride), (self.stride, side)
        for zone, across in ((first, [(0, side)]), (inner, [first, inner, last]), (last, [(0, side)])):
            rows = _shared(zone, start[0], len(band))
            if rows is None:
                continue
            for number, cutting in enumerate(cuttings):
                for columns in across:
                    shared = _shared(columns, start[1] - number * self.stride, band.shape[1])
                    if shared is None:
                        continue
                    here, there = zip(rows, shared, strict=True)
                    if zone is columns is inner:
                        band[there] = cutting[here]
                    else:
                        band[there] += cutting[here] * weights[here]


def _shared(zone: tuple[int, int], start: int, length: int) -> tuple[slice, slice] | None:
    """Return the part of a cutting's zone that `length` samples from `start` on share, in the cutting and in them."""
    low, high = max(zone[0], start), min(zone[1], start + length)
    return (slice(low, high), slice(low - start, high - start)) if low < high else None
