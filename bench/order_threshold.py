"""The most permissive threshold whose risk on frames not yet seen is bounded.

Two guarantees. `quiet_threshold` holds with stated confidence: with confidence 1 − δ over the draw of the
calibration frames, at least a share 1 − α of frames carries at most m false alarms. `conformal_threshold`
holds on average over that draw, and any one calibration may miss it.

Both need calibration frames that are exchangeable with those to come and that chose nothing else. Frames of
one scene aren't independent: give one frame for each scene.

A candidate is let in when its score is **greater than** the threshold, so that a frame whose statistic equals
the threshold keeps its promise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc  # scipy.stats would be half of a command's start

FloatArray = NDArray[np.float64]

LARGEST_DENOMINATOR = 10**6
"""Shares are taken as the nearest fraction of such a denominator, so that 0.29 · 100 is 29 and not less."""


@dataclass(frozen=True, slots=True)
class QuietThreshold:
    """A threshold with its guarantee.

    Attributes
    ----------
    threshold
        Let a candidate in when score > threshold. −inf lets in everything, +inf nothing.
    order
        The threshold is the `order`-th smallest of the calibration frames' statistics, counted from 1.
    frames
        Number of calibration frames.
    most
        m, false alarms that a frame may carry.
    alpha, delta
        Share of frames that may carry more, and probability that the calibration was unlucky.
    bound
        Probability that the guarantee fails, computed from `order`; ≤ delta.
    """

    threshold: float
    order: int
    frames: int
    most: int
    alpha: float
    delta: float
    bound: float


def frames_needed(alpha: float, delta: float) -> int:
    """Return how many calibration frames `quiet_threshold` needs: least n with (1 − α)ⁿ ≤ δ.

    >>> frames_needed(0.05, 0.05)
    59
    """
    _check_share(alpha=alpha, delta=delta)
    # The quotient of two rounded logarithms may fall on the wrong side of a whole number: start below it.
    n = max(1, math.ceil(math.log(delta) / math.log1p(-alpha)) - 1)
    while (1 - alpha) ** n > delta:
        n += 1
    return n


def frame_statistic(false_alarm_scores: NDArray[Any], *, most: int) -> float:
    """Return the (most + 1)-th highest score of one frame's false alarms, −inf where there are fewer.

    It is the lowest threshold at which the frame carries at most `most` false alarms.

    >>> frame_statistic(np.array([3.0, 9.0, 5.0]), most=1)
    5.0
    """
    _check_most(most)
    scores = np.asarray(false_alarm_scores, dtype=np.float64)
    if np.any(np.isnan(scores)):
        raise ValueError("a false alarm has the score nan; drop it or give it a score")
    if len(scores) <= most:
        return float("-inf")
    return float(np.partition(scores, len(scores) - 1 - most)[len(scores) - 1 - most])


def quiet_threshold(
    false_alarm_scores: Sequence[NDArray[Any]], *, most: int, alpha: float = 0.05, delta: float = 0.05
) -> QuietThreshold:
    """Return the lowest threshold that keeps frames quiet, with confidence.

    With confidence 1 − δ, at most a share α of frames exceeds `most` false alarms. The threshold is the k-th
    smallest of n frame statistics, k the least with P(Binomial(n, 1 − α) ≥ k) ≤ δ; whatever the distribution,
    that tail bounds the probability that more than α of it lies above (Neyman–Pearson umbrella algorithm:
    Tong, Feng and Li, Science Advances 4 (2018) eaao1659, doi 10.1126/sciadv.aao1659, from memory).

    Parameters
    ----------
    false_alarm_scores
        For each calibration frame the scores of its false alarms, an empty array where there are none.
    most
        m ≥ 0.

    Raises
    ------
    ValueError
        If there are fewer than `frames_needed` frames.
    """
    statistics = np.sort([frame_statistic(scores, most=most) for scores in false_alarm_scores])
    order, bound = order_for(len(statistics), alpha=alpha, delta=delta)
    return QuietThreshold(
        threshold=float(statistics[order - 1]),
        order=order,
        frames=len(statistics),
        most=most,
        alpha=alpha,
        delta=delta,
        bound=bound,
    )


def order_for(frames: int, *, alpha: float, delta: float) -> tuple[int, float]:
    """Return the least order, counted from 1, that keeps the promise, and the probability that it fails.

    >>> order_for(100, alpha=0.05, delta=0.05)[0], order_for(1000, alpha=0.05, delta=0.05)[0]
    (99, 962)
    """
    needed = frames_needed(alpha, delta)
    if frames < needed:
        raise ValueError(f"alpha {alpha}, delta {delta} need ≥ {needed} calibration frames, not {frames}")
    orders = np.arange(1, frames + 1)
    failing = bdtrc(orders - 1, frames, 1 - alpha)
    # The last order always keeps it; rounding at the very edge must not lose it.
    failing[-1] = min(failing[-1], delta)
    least = int(np.flatnonzero(failing <= delta)[0])
    return least + 1, float(failing[least])


def frames_for_mean(alpha: float, *, largest_loss: float = 1.0) -> int:
    """Return how many calibration frames `conformal_threshold` needs: least n with B/(n + 1) ≤ α.

    >>> frames_for_mean(0.1)
    9
    """
    _check_share(**{"alpha / largest_loss": alpha / largest_loss})
    return math.ceil(_exact(largest_loss) / _exact(alpha)) - 1


def conformal_threshold(
    losses: NDArray[Any], thresholds: NDArray[Any], *, alpha: float, largest_loss: float = 1.0
) -> float:
    """Return the lowest threshold whose expected loss on the next frame is at most α.

    The lowest t with (n·R̂(t) + B)/(n + 1) ≤ α, where R̂ is the mean of n calibration losses and B their bound
    (conformal risk control: Angelopoulos, Bates, Fisch, Lei and Schuster, ICLR 2024, arXiv:2208.02814). The
    bound is on the mean over calibrations and nearly half of them lie above α; where that won't do, use
    `quiet_threshold`.

    Parameters
    ----------
    losses
        (frames, thresholds), in 0…`largest_loss`, not increasing along a row: 1 where a frame carries too
        many false alarms at that threshold, or the count of them, cut off at `largest_loss`.
    thresholds
        (thresholds,), ascending.
    alpha
        In the unit of the losses, less than `largest_loss`.
    largest_loss
        B > 0.

    Returns
    -------
    float
        +inf, which lets in nothing and costs nothing, where no threshold given is quiet enough.

    Raises
    ------
    ValueError
        If losses are out of bounds or rise with the threshold, or the frames are too few for any threshold.
    """
    table, marks = _check_losses(losses, thresholds, largest_loss)
    frames, needed = len(table), frames_for_mean(alpha, largest_loss=largest_loss)
    if frames < needed:
        raise ValueError(f"alpha {alpha} needs ≥ {needed} calibration frames, not {frames}")
    allowed = float(_exact(alpha) * (frames + 1) - _exact(largest_loss))
    good = np.flatnonzero(table.sum(axis=0) <= allowed)
    return float(marks[good[0]]) if len(good) else float("inf")


def _exact(value: float) -> Fraction:
    return Fraction(value).limit_denominator(LARGEST_DENOMINATOR)


def _check_losses(losses: NDArray[Any], thresholds: NDArray[Any], largest: float) -> tuple[FloatArray, FloatArray]:
    table, marks = np.asarray(losses, dtype=np.float64), np.asarray(thresholds, dtype=np.float64)
    if table.ndim != 2 or marks.shape != table.shape[1:]:
        raise ValueError(f"losses must have shape (frames, {len(marks)}), one column a threshold, not {table.shape}")
    if np.any(np.diff(marks) <= 0):
        raise ValueError("thresholds must ascend; sort them and their losses together")
    if not np.all((table >= 0) & (table <= largest)):
        raise ValueError(f"losses must lie in 0…{largest:g}; cut them off there")
    if np.any(np.diff(table, axis=1) > 0):
        raise ValueError("losses must not rise with the threshold; this one needs another method")
    return table, marks


def _check_share(**shares: float) -> None:
    for name, value in shares.items():
        if not 0 < value < 1:
            raise ValueError(f"{name} must lie between 0 and 1, not {value}")


def _check_most(most: int) -> None:
    if isinstance(most, bool) or most < 0:
        raise ValueError(f"most must be a count ≥ 0, not {most}")
