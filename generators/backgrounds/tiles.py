"""Much noise from little: random cuttings of one periodic tile, laid side by side with no period of their own.

Every cutting starts at a random place of the tile and may be turned by half a turn. Where two meet they are
cross-faded with weights whose squares add up to one, which keeps the variance of a field of mean 0.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .base import FloatArray


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

    def bands(self, shape: tuple[int, int], rng: np.random.Generator) -> Iterator[FloatArray]:
        """Yield a field of `shape` from top to bottom, `stride` rows at a time (the last may be fewer).

        The rows are overwritten when the next ones are asked for: copy what should stay.
        """
        height, width = shape
        laid = np.zeros((self.stride + self.overlap, (width // self.stride + 2) * self.stride), dtype=np.float32)
        left = int(rng.integers(self.overlap, self.overlap + self.stride))  # the seams are nowhere in particular
        laid = np.pad(laid, ((0, 0), (0, 2 * self.overlap)))
        source = np.pad(self.tile, ((0, laid.shape[0]), (0, laid.shape[0])), mode="wrap")
        weights = self._weights()
        self._lay(laid, source, weights, rng)
        for top in range(0, height, self.stride):
            laid[: self.overlap] = laid[self.stride :]
            laid[self.overlap :] = 0.0
            self._lay(laid, source, weights, rng)
            yield laid[: min(self.stride, height - top), left : left + width]

    def fill(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return the whole field, float32 of `shape`."""
        out = np.empty(shape, dtype=np.float32)
        for number, band in enumerate(self.bands(shape, rng)):
            out[number * self.stride : number * self.stride + len(band)] = band
        return out

    def _weights(self) -> FloatArray:
        """Return the window of one cutting: sin up, 1, cos down, in both directions."""
        phase = (np.arange(self.overlap) + 0.5) * (0.5 * math.pi / self.overlap)
        window = np.concatenate((np.sin(phase), np.ones(self.stride - self.overlap), np.cos(phase)))
        return np.outer(window, window).astype(np.float32)

    def _lay(self, laid: FloatArray, source: FloatArray, weights: FloatArray, rng: np.random.Generator) -> None:
        """Add one row of cuttings to `laid`."""
        side = len(weights)
        patch = np.empty_like(weights)
        for left in range(0, laid.shape[1] - side + 1, self.stride):
            y, x = rng.integers(self.tile.shape[0]), rng.integers(self.tile.shape[1])
            cutting = source[y : y + side, x : x + side]
            if self.turns and rng.random() < 0.5:
                cutting = cutting[::-1, ::-1]
            np.multiply(cutting, weights, out=patch)
            laid[:, left : left + side] += patch
