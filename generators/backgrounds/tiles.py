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
        self, shape: tuple[int, int], rng: np.random.Generator, *, rows: int | None = None
    ) -> Iterator[FloatArray]:
        """Yield a field of `shape` from top to bottom, `rows` at a time, a part of the stride and by default all of it.

        The last may be fewer. The rows are overwritten when the next ones are asked for: copy what should stay.
        """
        height, width = shape
        step = rows or self.stride
        columns = (width // self.stride + 2) * self.stride + 2 * self.overlap
        laid = np.zeros((self.stride + self.overlap, columns), dtype=np.float32)
        left = int(rng.integers(self.overlap, self.overlap + self.stride))  # the seams are nowhere in particular
        source = np.pad(self.tile, ((0, laid.shape[0]), (0, laid.shape[0])), mode="wrap")
        weights = self._weights()
        self._lay(laid, source, weights, rng)
        for top in range(0, height, self.stride):
            laid[: self.overlap] = laid[self.stride :]
            laid[self.overlap :] = 0.0
            self._lay(laid, source, weights, rng)
            for first in range(0, min(self.stride, height - top), step):
                yield laid[first : min(first + step, self.stride, height - top), left : left + width]

    def fill(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return the whole field, float32 of `shape`."""
        out = np.empty(shape, dtype=np.float32)
        for number, band in enumerate(self.bands(shape, rng)):
            out[number * self.stride : number * self.stride + len(band)] = band
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

    def _lay(self, laid: FloatArray, source: FloatArray, weights: FloatArray, rng: np.random.Generator) -> None:
        """Add one row of cuttings to `laid`; what lies inside all cross-fades is merely copied."""
        side, fade, inner = len(weights), self.overlap, slice(self.overlap, self.stride)
        whole, first, last = slice(None), slice(0, fade), slice(self.stride, side)
        zones = [(first, whole), (last, whole), (inner, first), (inner, last)]
        for left in range(0, laid.shape[1] - side + 1, self.stride):
            y, x = rng.integers(self.tile.shape[0]), rng.integers(self.tile.shape[1])
            cutting = source[y : y + side, x : x + side]
            if self.turns and rng.random() < 0.5:
                cutting = cutting[::-1, ::-1]
            patch = laid[:, left : left + side]
            for zone in zones:
                patch[zone] += cutting[zone] * weights[zone]
            patch[inner, inner] = cutting[inner, inner]
