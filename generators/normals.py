"""Normal deviates for a frame's noise, from a table: a third of the time of drawing each by rejection."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

BINS = 1 << 16
"""Equally probable bins of the normal distribution; sixteen random bits pick one."""

EXACT_BINS = 88
"""The outermost bins on either side, beyond 3.0 standard deviations, in which a deviate is drawn exactly.

Their widest inner neighbour is 0.0034 standard deviations wide, the middle ones 4e-5: below a converter's step.
"""


class Normals:
    """A stream of standard normal deviates.

    A deviate is the mean of the normal distribution within one of `BINS` equally probable bins; in the outermost
    `EXACT_BINS` of either side it is Φ⁻¹ of a uniform number within the bin, so that the tails are the normal's own.
    What is lost is the variance within the other bins, 1e-6 in all.

    Parameters
    ----------
    rng
        Source of the random bits; it is advanced.
    """

    __slots__ = ("_bits", "_within")

    def __init__(self, rng: np.random.Generator) -> None:
        self._bits = rng
        # Tails have a stream of their own, so that it doesn't show how many deviates are drawn at a time.
        self._within = np.random.default_rng(rng.integers(1 << 63, size=2))

    def draw(self, shape: tuple[int, ...]) -> FloatArray:
        """Return deviates, float32; pieces of a multiple of four numbers drawn in turn equal one drawn whole."""
        count = int(np.prod(shape))
        words = self._bits.integers(1 << 64, size=-(-count // 4), dtype=np.uint64)
        bins = words.astype("<u8", copy=False).view("<u2")[:count]
        deviates = np.empty(count, dtype=np.float32)
        np.take(_means(), bins, out=deviates, mode="clip")
        # Sixteen-bit numbers wrap round: the two tails become one range from 0 on.
        outer = np.flatnonzero(bins + np.uint16(EXACT_BINS) < np.uint16(2 * EXACT_BINS))
        deviates[outer] = _quantiles((bins[outer] + self._within.random(len(outer))) / BINS)
        return deviates.reshape(shape)


@cache
def _means() -> FloatArray:
    """Return the mean of the standard normal within each bin: its density's fall across it over its probability."""
    edges = _quantiles(np.arange(1, BINS) / BINS)
    density = np.concatenate(([0.0], np.exp(-0.5 * edges**2) / np.sqrt(2 * np.pi), [0.0]))
    means = (-BINS * np.diff(density)).astype(np.float32)
    means.flags.writeable = False
    return means


def _quantiles(probability: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import ndtri  # here, so that importing a camera costs nothing

    return np.asarray(ndtri(probability))
