"""The lowest threshold at which a risk that is not monotone in it is shown to be small, with confidence.

Learn then test (Angelopoulos, Bates, Candès, Jordan and Lei, Annals of Applied Statistics 19 (2025) 1641,
arXiv:2110.01052): each threshold is a null hypothesis 'the mean loss is above α', each gets a valid p-value, and
thresholds are tested in an order that the labels do not choose, from strict to lax, until the first p-value above
δ. Whatever passed before holds with confidence 1 − δ all at once (fixed-sequence testing).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, rel_entr  # scipy.stats would be half of a command's start

from .order_threshold import frames_needed

FloatArray = NDArray[np.float64]


def hoeffding_bentkus(mean_loss: Any, frames: Any, alpha: float) -> FloatArray:
    """Return the p-value of 'the mean of losses in 0…1 is above α', from n independent ones.

    min(exp(−n·h(min(R̂, α), α)), e·P(Binomial(n, α) ≤ ⌈n·R̂⌉)), h(a, b) = a·ln(a/b) + (1 − a)·ln((1 − a)/(1 − b)):
    the better of Hoeffding's and Bentkus's bounds (Bates, Angelopoulos, Lei, Malik and Jordan, J. ACM 68 (2021) 43,
    proposition 7). Without any loss it is (1 − α)ⁿ.

    >>> round(float(hoeffding_bentkus(0.0, 29, 0.1)), 4)
    0.0471
    """
    mean, n = np.asarray(mean_loss, dtype=np.float64), np.asarray(frames, dtype=np.float64)
    least = np.minimum(mean, alpha)
    hoeffding = np.exp(-n * (rel_entr(least, alpha) + rel_entr(1 - least, 1 - alpha)))
    # A mean of n losses that is k/n but for rounding must not count as k + 1.
    bentkus = np.e * bdtr(np.ceil(np.round(n * mean, 9)), n.astype(np.int64), alpha)
    return np.asarray(np.minimum(hoeffding, bentkus))


def lowest_passing(loss: FloatArray, frames: FloatArray, *, alpha: float, delta: float) -> int | None:
    """Return the index of the lowest threshold that passes, or None.

    Frames in which nothing is taken have no loss and count at no threshold, so the strictest thresholds rest on few
    frames, and no p-value can reach δ with fewer than m = `frames_needed`. Testing starts at the last threshold
    that just m frames reach (more, where several enter at once): given the score at which the next frame enters,
    those are independent draws from all frames that exceed it, so the p-value there is valid although the frames'
    scores chose the place. From there on the order is fixed. Both together hold the confidence if the loss, once
    too large, stays too large at lower thresholds.

    Parameters
    ----------
    loss, frames
        (thresholds,), strict first: mean loss over the frames in which something is taken, and their number, which
        does not fall.
    """
    enough = frames[:-1] >= frames_needed(alpha, delta)
    starts = np.flatnonzero(enough & (np.diff(frames) > 0))
    if not len(starts):
        return None
    start = int(starts[0])
    passing = hoeffding_bentkus(loss[start:], frames[start:], alpha) <= delta
    if not passing[0]:
        return None
    stop = np.flatnonzero(~passing)
    return start + (int(stop[0]) if len(stop) else len(passing)) - 1
