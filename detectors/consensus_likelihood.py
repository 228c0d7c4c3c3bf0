"""How much a response speaks for a shadow, where texture throws larger values than Gaussian noise would."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..generators.cv import cv2
from .contract import FloatArray

FREEDOM = 5.0
"""Degrees of freedom of Student's distribution."""

SCALE = 1.0
"""Its scale; that of a whitened response in Gaussian noise. On rolls of scrub of the develop seeds 3 to 15 degrees of
freedom and scales of 0.8 to 1 changed recall by less than 0.04, and 5 and 1 were as good as any."""

MISFIT = 0.25
"""Standard deviation of a shadow's depth about the predicted one, as a share of it: grains are not round, sizes are
tried in steps and the filter's distance is nominal."""

CHANGE = 5.0
"""What it costs to assume that a grain came, or went, between two photographs of a roll; once in 150 places."""


def evidence(response: FloatArray, expected: FloatArray) -> FloatArray:
    """Return ln p(r | shadow) − ln p(r | none), elementwise.

    In noise of Student's distribution with ν degrees of freedom and scale s, a shadow gives the mean response δ and
    the scale u = √(s² + (εδ)²), ε being `MISFIT`:

        ℓ = (ν + 1)/2 · ln[(1 + r²/νs²) / (1 + (r − δ)²/νu²)] − ln(u/s).

    Where |r| and δ are small against √ν that is rδ − δ²/2 in units of s, as in Gaussian noise; for |r| → ∞ it stays
    bounded: one photograph's dark gap, however dark, can't stand for many photographs' agreement (Lange, Little &
    Taylor, JASA 84 (1989) 881, from memory).
    """
    noise = np.float32(SCALE**2)
    width = noise + np.float32(MISFIT**2) * expected * expected
    rest = response - expected
    freedom = np.float32(FREEDOM)
    quotient = (1 + response * response / (freedom * noise)) / (1 + rest * rest / (freedom * width))
    half = np.float32((FREEDOM + 1) / 2)
    return np.asarray(half * _log(quotient) - np.float32(0.5) * _log(width / noise), dtype=np.float32)


def _log(values: FloatArray) -> FloatArray:
    # OpenCV's logarithm of whole maps takes a fifth of numpy's time.
    return np.asarray(cv2.log(values).reshape(values.shape) if values.size else values, dtype=np.float32)


def expected_in_own_noise(detectability: FloatArray) -> FloatArray:
    """Return the mean response to a shadow of detectability d′ that a tile's own spectrum was measured with.

    The shadow is part of that spectrum: d/√(1 + (d/8)²) fits 2 → 1.9, 4 → 3.6 and 8 → 5.7 where 1.7, 3.2 and 5.3
    were measured in white noise of unit variance with tiles of 48 pixels, and larger tiles lose less.
    """
    return np.asarray(detectability / np.sqrt(1 + (detectability / np.float32(8)) ** 2), dtype=np.float32)


def interval(evidence_by_frame: NDArray[np.floating]) -> tuple[float, int, int]:
    """Return the evidence that something lay there from one frame to another, and those frames.

    The run of frames with the largest sum of evidence, less `CHANGE` for each of its ends that is not the roll's.

    >>> interval(np.array([2.0, 2.0, 2.0]))
    (6.0, 0, 2)
    >>> interval(np.array([-9.0, -9.0, 5.0, 5.0]))
    (5.0, 2, 3)
    """
    count = len(evidence_by_frame)
    total = np.concatenate([[0.0], np.cumsum(evidence_by_frame, dtype=np.float64)])
    gains = total[None, 1:] - total[:-1, None]
    gains[1:] -= CHANGE
    gains[:, :-1] -= CHANGE
    gains[np.tril_indices(count, -1)] = -np.inf
    first, last = divmod(int(np.argmax(gains)), count)
    return float(gains[first, last]), first, last
