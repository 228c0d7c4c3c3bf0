"""Precision, recall, average precision and false-alarm curves of labelled candidates.

Candidates enter in descending score. Equal scores enter together, as one step: a threshold cannot part
them, and the order in which a detector happened to list them must not matter. Ignored candidates are left
out before they get here.

No metric has an epsilon. 0/0 is nan: recall and average precision without a true spot, precision without
a candidate.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

FROC_RATES = (0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
"""False alarms per frame at which recall is averaged, as LUNA16 does per scan (Setio et al., Medical Image
Analysis 42 (2017) 1)."""


class Convention(StrEnum):
    """How the area under precision over recall is taken.

    In all but `STEP`, the precision at a recall is the best at that recall or any higher one.

    Attributes
    ----------
    EVERY_POINT
        Exact area under the interpolated curve (Pascal VOC from 2010 on). The default.
    ELEVEN_POINT
        Mean of the interpolated precision at recalls 0, 0.1 … 1 (Pascal VOC 2007; Everingham et al.,
        Int. J. Computer Vision 88 (2010) 303).
    HUNDRED_POINT
        Mean at recalls 0, 0.01 … 1 (COCO; Lin et al., arXiv:1405.0312). The recalls are met as exact
        fractions here; the COCO tools compare rounded decimals and may call 7/20 less than 0.35.
    STEP
        Σ Δrecall × precision without interpolation. It is scikit-learn's average precision times the recall
        at the lowest threshold, because that one counts only the true spots that were found at all.
    """

    EVERY_POINT = "every-point"
    ELEVEN_POINT = "11-point"
    HUNDRED_POINT = "101-point"
    STEP = "step"


_INTERVALS = {Convention.ELEVEN_POINT: 10, Convention.HUNDRED_POINT: 100}


def ratio(part: Any, whole: Any) -> Any:
    """Return part/whole elementwise, with 0/0 = nan and no warning."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.divide(part, whole)


def precision(hits: Any, false_alarms: Any) -> Any:
    """Return hits / (hits + false alarms): the share of candidates that are dust. 0…1, more is better."""
    return ratio(hits, np.add(hits, false_alarms))


def recall(hits: Any, truths: Any) -> Any:
    """Return hits / true spots: the share of the dust that is found. 0…1, more is better."""
    return ratio(hits, truths)


def f_score(hits: Any, false_alarms: Any, truths: Any, *, beta: float = 1.0) -> Any:
    """Return F-beta, (1 + β²)·hits / (hits + false alarms + β²·truths). 0…1, more is better.

    Recall weighs β times as much as precision (van Rijsbergen, Information Retrieval, 1979, ch. 7, from
    memory). nan only where there is neither a candidate nor a true spot.
    """
    square = beta * beta
    return ratio(np.multiply(1 + square, hits), np.add(hits, false_alarms) + np.multiply(square, truths))


@dataclass(frozen=True, slots=True)
class Curve:
    """Counts at every threshold, from strict to lax.

    Attributes
    ----------
    threshold
        (k,), descending: the scores that occur. A candidate is in when its score ≥ threshold.
    hits, false_alarms
        (k,), counts at each threshold.
    truths, frames
        Number of counted true spots and of frames, frames without any dust or candidate included.
    megapixels
        Area of all frames in 10⁶ pixels, nan where nobody said.
    """

    threshold: FloatArray
    hits: FloatArray
    false_alarms: FloatArray
    truths: float
    frames: float
    megapixels: float = np.nan

    @property
    def precision(self) -> FloatArray:
        """Precision (k,)."""
        return np.asarray(precision(self.hits, self.false_alarms))

    @property
    def recall(self) -> FloatArray:
        """Recall (k,)."""
        return np.asarray(recall(self.hits, self.truths))

    @property
    def false_alarms_per_frame(self) -> FloatArray:
        """False alarms per frame (k,), ≥ 0, fewer is better."""
        return np.asarray(ratio(self.false_alarms, self.frames))

    @property
    def false_alarms_per_megapixel(self) -> FloatArray:
        """False alarms per 10⁶ pixels (k,), ≥ 0, fewer is better."""
        return np.asarray(ratio(self.false_alarms, self.megapixels))

    def average_precision(self, convention: Convention = Convention.EVERY_POINT) -> float:
        """Average precision. 0…1, more is better; 0 without candidates, nan without true spots."""
        area = area_under(self.hits[:, None], self.false_alarms[:, None], np.array([self.truths]), convention)
        return float(area[0])

    def recall_at(self, limits: Any) -> FloatArray:
        """Best recall of a threshold with at most so many false alarms per frame, for each limit.

        0…1, more is better; 0 where no threshold that lets anything in is so quiet. Nothing is
        interpolated: each value belongs to a threshold that one can set.
        """
        return best_recall(self.false_alarms_per_frame[:, None], self.recall[:, None], limits)[:, 0]

    def recall_at_per_megapixel(self, limits: Any) -> FloatArray:
        """As `recall_at`, with the limits in false alarms per 10⁶ pixels."""
        return best_recall(self.false_alarms_per_megapixel[:, None], self.recall[:, None], limits)[:, 0]

    def froc_score(self) -> float:
        """Mean recall at ⅛, ¼ … 8 false alarms per frame. 0…1, more is better; nan without true spots."""
        return float(np.mean(self.recall_at(FROC_RATES)))


def curve(
    score: NDArray[Any], hit: NDArray[np.bool_], *, truths: int, frames: int, megapixels: float = np.nan
) -> Curve:
    """Count hits and false alarms at every threshold.

    Parameters
    ----------
    score, hit
        (m,) of all frames together, without ignored candidates.
    truths
        Counted true spots in all frames.
    frames
        All frames, empty ones included.
    megapixels
        Area of all frames in 10⁶ pixels.
    """
    score, hit = candidates(score, hit)
    if hit.sum() > truths:
        raise ValueError(f"{hit.sum()} hits on {truths} true spots; each true spot is hit at most once")
    levels, step = np.unique(-score, return_inverse=True)
    return Curve(
        threshold=-levels,
        hits=np.cumsum(np.bincount(step[hit], minlength=len(levels)), dtype=np.float64),
        false_alarms=np.cumsum(np.bincount(step[~hit], minlength=len(levels)), dtype=np.float64),
        truths=float(truths),
        frames=float(frames),
        megapixels=float(megapixels),
    )


def candidates(score: NDArray[Any], hit: NDArray[Any]) -> tuple[FloatArray, BoolArray]:
    """Return score and hit as arrays, checked."""
    value, flag = np.asarray(score, dtype=np.float64), np.asarray(hit, dtype=bool)
    if value.ndim != 1 or value.shape != flag.shape:
        raise ValueError(f"score and hit must have one equal length, not {value.shape} and {flag.shape}")
    if not np.all(np.isfinite(value)):
        raise ValueError("score must be finite; a candidate without a score has no place in the order")
    return value, flag


def area_under(hits: FloatArray, false_alarms: FloatArray, truths: FloatArray, convention: Convention) -> FloatArray:
    """Return the average precision of each column of cumulative counts (steps, replicates)."""
    convention = Convention(convention)
    height = np.divide(hits, hits + false_alarms, out=np.zeros_like(hits), where=hits > 0)
    if convention is not Convention.STEP:
        accumulate(np.maximum, height[::-1])
    width = np.diff(_reached(hits, truths, convention), axis=0, prepend=0.0)
    area = np.einsum("ij,ij->j", width, height)
    return np.where(truths > 0, area, np.nan)


def accumulate(operation: np.ufunc, rows: FloatArray) -> FloatArray:
    """Accumulate down the rows, in place.

    `ufunc.accumulate` walks the columns of a wide array one by one and takes several times as long.
    """
    for above, row in pairwise(rows):
        operation(above, row, out=row)
    return rows


def _reached(hits: FloatArray, truths: FloatArray, convention: Convention) -> FloatArray:
    """Return the share of the recall axis that each step has covered."""
    intervals = _INTERVALS.get(convention)
    if intervals is None:
        return np.asarray(recall(hits, truths))
    # Whole numbers divide without rounding, so recall 3/10 does reach 0.3.
    levels = np.floor(ratio(hits * intervals, truths)) + 1
    return np.asarray(levels / (intervals + 1))


def above(scores: NDArray[Any], threshold: FloatArray) -> NDArray[np.intp]:
    """Return how many scores lie above each threshold, (k,).

    >>> above(np.array([1.0, 3.0, 2.0]), np.array([3.0, 1.5])).tolist()
    [0, 2]
    """
    ascending = np.sort(np.asarray(scores, dtype=np.float64))
    return np.asarray(len(ascending) - np.searchsorted(ascending, threshold, side="right"))


def best_recall(rate: FloatArray, found: FloatArray, limits: Any) -> FloatArray:
    """Return the best recall at each limit, (limits, replicates), from rate and recall (steps, replicates)."""
    best = [np.max(np.where(rate <= limit, found, 0.0), axis=0, initial=0.0) for limit in np.atleast_1d(limits)]
    undefined = np.isnan(found).any(axis=0)
    return np.where(undefined, np.nan, np.array(best))
