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

_ROWS = 32  # of a map at a time: what lies between stays in the processor's cache


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


def evidence_map(response: FloatArray, detectability: FloatArray, share: float, seen: NDArray[np.bool_]) -> FloatArray:
    """Return the evidence for a shadow over whole maps (h, w), zero where the ground is not seen.

    Parameters
    ----------
    response
        To the shape that was correlated.
    detectability
        d′ of that shape in the tile's own spectrum.
    share
        Multiple of the shape that the shadow is.
    """
    found = np.empty(response.shape, dtype=np.float32)
    for top in range(0, len(found), _ROWS):
        rows = slice(top, top + _ROWS)
        expected = expected_in_own_noise(detectability[rows] * np.float32(share))
        np.multiply(evidence(response[rows], expected), seen[rows], out=found[rows])
    return found


def _log(values: FloatArray) -> FloatArray:
    # OpenCV's logarithm of whole maps takes a fifth of numpy's time.
    return np.asarray(cv2.log(values).reshape(values.shape) if values.size else values, dtype=np.float32)


def expected_in_own_noise(detectability: FloatArray) -> FloatArray:
    """Return the mean response to a shadow of detectability d′ that a tile's own spectrum was measured with.

    The shadow is part of that spectrum: d/√(1 + (d/8)²) fits 2 → 1.9, 4 → 3.6 and 8 → 5.7 where 1.7, 3.2 and 5.3
    were measured in white noise of unit variance with tiles of 48 pixels, and larger tiles lose less.
    """
    return np.asarray(detectability / np.sqrt(1 + (detectability / np.float32(8)) ** 2), dtype=np.float32)


def longest_standing(
    by_frame: FloatArray,
) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp]]:
    """Return the evidence that something lay there from one frame to another, and those frames, each (…).

    The run of frames with the largest sum of evidence, less `CHANGE` for each of its ends that is not the roll's;
    found in one pass, since the best run that ends at a frame is that of the frame before or starts anew.

    Parameters
    ----------
    by_frame
        Evidence (frames, …), at least one frame.

    >>> longest_standing(np.array([2.0, 2.0, 2.0]))
    (array(6.), array(0), array(2))
    >>> longest_standing(np.array([-9.0, -9.0, 5.0, 5.0]))
    (array(5.), array(2), array(3))
    """
    run = np.zeros(by_frame.shape[1:])
    since = np.zeros(by_frame.shape[1:], dtype=np.intp)
    best = np.full(by_frame.shape[1:], -np.inf)
    first, last = since.copy(), since.copy()
    for index, evidence_ in enumerate(by_frame):
        anew = (run < -CHANGE) & (index > 0)
        since = np.where(anew, index, since)
        run = np.where(anew, -CHANGE, run) + evidence_
        ended = run - (CHANGE if index < len(by_frame) - 1 else 0.0)
        better = ended > best
        best = np.where(better, ended, best)
        first, last = np.where(better, since, first), np.where(better, index, last)
    return best, first, last
