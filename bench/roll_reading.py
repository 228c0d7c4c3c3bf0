"""What a suite of rolls says: recall with intervals, beside the ideal observer's, and methods against each other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from .cross_fit import CrossFit, threshold
from .curve import ratio
from .interval import Interval, Resampled, bca, bootstrap_weights, difference, resample
from .roll_score import RollScore, ideal_share

FloatArray = NDArray[np.float64]

REPLICATES, SEED = 2000, 26113

LEAST_ROLLS = 4
"""With fewer a half holds one roll at most, and drawing it again and again shows no spread."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One method on the rolls of one kind after the same number of photographs.

    Intervals are of 95 %, over rolls; both ends nan with fewer than `LEAST_ROLLS` of them.

    Attributes
    ----------
    rolls, grains
        How many, grains in the latest photographs.
    recall, ideal
        Share of all grains found at thresholds that the other half of the rolls chose, and the share that the ideal
        observer finds at as many false alarms; 0 to 1, larger is better, nan without a grain.
    lead
        The first less the second, paired by roll.
    false_alarms
        A roll, at those thresholds.
    threshold
        What all rolls together choose.
    law
        Share that the ideal observer would find were each photograph the average one: its d′ times √M.
    clear
        Share of the grains with d′ > `CLEAR`.
    """

    kind: str
    detector: str
    count: int
    rolls: int
    grains: int
    recall: Interval
    ideal: Interval
    lead: Interval
    false_alarms: Interval
    threshold: float
    law: float
    clear: float


@dataclass(frozen=True, slots=True)
class Contrast:
    """Recall of one method less another's, paired by roll."""

    kind: str
    count: int
    one: str
    other: str
    difference: Interval


def half_weights(rolls: int) -> FloatArray:
    """Draw how often each roll counts, (replicates, rolls), each half of `CrossFit` as often as it has rolls."""
    rng = np.random.default_rng(SEED)
    weights = np.ones((REPLICATES, rolls))
    for first in range(min(2, rolls)):
        weights[:, first::2] = bootstrap_weights(len(range(first, rolls, 2)), REPLICATES, rng=rng)
    return weights


def readings(scores: Sequence[RollScore]) -> tuple[list[Reading], list[Contrast]]:
    """Return a reading for each kind, count and method, and a contrast for each two methods, in the scores' order."""
    kinds, counts, methods = (
        list(dict.fromkeys(getattr(score, key) for score in scores)) for key in ("kind", "count", "detector")
    )
    told, contrasts = [], []
    for kind in kinds:
        law = square_root_law([one for one in scores if one.kind == kind and one.detector == methods[0]])
        for count in counts:
            recalls = {}
            for method in methods:
                here = [s for s in scores if (s.kind, s.count, s.detector) == (kind, count, method)]
                reading, recalls[method] = _reading(here, law=law(count))
                told.append(reading)
            contrasts += [
                Contrast(kind, count, one, other, _interval(difference(recalls[one], recalls[other])))
                for one, other in combinations(methods, 2)
            ]
    return told, contrasts


def _reading(scores: Sequence[RollScore], *, law: float) -> tuple[Reading, Resampled]:
    weights, fit = half_weights(len(scores)), CrossFit(scores)
    truths, sure = (np.array([getattr(score, key) for score in scores], dtype=float) for key in ("truths", "ideal"))

    def ideal(drawn: FloatArray) -> FloatArray:
        return np.asarray(ratio(drawn @ sure, drawn @ truths))

    recall, best, false = (resample(one, weights) for one in (fit.recall, ideal, fit.false_alarms))
    first = scores[0]
    reading = Reading(
        kind=first.kind,
        detector=first.detector,
        count=first.count,
        rolls=len(scores),
        grains=int(truths.sum()),
        recall=_interval(recall),
        ideal=_interval(best),
        lead=_interval(difference(recall, best)),
        false_alarms=_interval(false),
        threshold=threshold(scores),
        law=law,
        clear=float(ratio(sum(score.clear for score in scores), truths.sum())),
    )
    return reading, recall


def _interval(resampled: Resampled) -> Interval:
    if len(resampled.jackknife) < LEAST_ROLLS:
        return Interval(resampled.estimate, float("nan"), float("nan"))
    return bca(resampled)


def square_root_law(scores: Sequence[RollScore]) -> Callable[[float], float]:
    """Return the law of one method's rolls of one kind, from a number of photographs M to a share of grains.

    It is what the ideal observer would find if each photograph told as much as the longest rolls' do on average (root
    mean square): d′·√M. nan without a grain.
    """
    longest = max(score.count for score in scores)
    last = [score for score in scores if score.count == longest]

    def law(count: float) -> float:
        each = [ideal_share(score.average_detectability * np.sqrt(count), score.places) for score in last]
        return float(ratio(sum(float(one.sum()) for one in each), sum(len(one) for one in each)))

    return law
