"""Thresholds chosen on one half of the rolls and judged on the other, and the other way round.

A threshold read off the very rolls that it is judged on flatters a method: it is drawn to where those rolls happen to
have no false alarm. Rolls are drawn independently, so each half is a fair trial of the other's threshold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .curve import ratio
from .roll_score import FALSE_ALARMS, RollScore

FloatArray = NDArray[np.float64]

REACH = 4
"""False alarms a roll, strongest first, among which the threshold nearly always lies; else all are gone through."""

AT_ONCE = 250
"""Replicates in memory at a time."""


@dataclass(frozen=True, slots=True)
class _Side:
    """Thresholds from some rolls, and what they do to others.

    Attributes
    ----------
    choosing, judging
        Indices of rolls.
    false
        Scores of the choosing rolls' false alarms, strongest first, (k,).
    owner
        Index of the roll that each is of, (k,).
    hits, false_alarms
        Of each judged roll above each of `false`, and in the last column above nothing, (judging, k + 1).
    """

    choosing: NDArray[np.intp]
    judging: NDArray[np.intp]
    false: FloatArray
    owner: NDArray[np.intp]
    hits: FloatArray
    false_alarms: FloatArray

    @classmethod
    def of(cls, scores: Sequence[RollScore], choosing: NDArray[np.intp], judging: NDArray[np.intp]) -> _Side:
        found = [scores[index].score[~scores[index].hit] for index in choosing]
        false = np.concatenate([np.zeros(0), *found])
        owner = np.repeat(choosing, [len(one) for one in found])
        order = np.argsort(-false, kind="stable")
        false, owner = false[order], owner[order]
        judged = [scores[index] for index in judging]
        return cls(
            choosing=choosing,
            judging=judging,
            false=false,
            owner=owner,
            hits=_above([one.score[one.hit] for one in judged], false),
            false_alarms=_above([one.score[~one.hit] for one in judged], false),
        )

    def cut(self, weights: FloatArray) -> NDArray[np.intp]:
        """Return for each replicate the column of the first false alarm that may not be let in."""
        reach = min(len(self.false), REACH * len(self.choosing))
        return np.concatenate([self._cut(some, reach) for some in np.array_split(weights, len(weights) // AT_ONCE + 1)])

    def _cut(self, weights: FloatArray, reach: int) -> NDArray[np.intp]:
        allowed = FALSE_ALARMS * weights[:, self.choosing].sum(axis=1) - 1
        spent = np.cumsum(weights[:, self.owner[:reach]], axis=1)
        column = np.asarray((spent <= allowed[:, None]).sum(axis=1))
        if reach < len(self.false) and np.any(column == reach):
            return self._cut(weights, len(self.false))
        return column

    def counted(self, table: FloatArray, weights: FloatArray) -> FloatArray:
        """Return the sum of a table over the judged rolls at each replicate's threshold, nan where none is chosen."""
        column = self.cut(weights)
        total = np.einsum("rj,jr->r", weights[:, self.judging], table[:, column])
        return np.where(weights[:, self.choosing].sum(axis=1) > 0, total, np.nan)


def _above(values: Sequence[FloatArray], marks: FloatArray) -> FloatArray:
    """Return how many of each roll's values lie above each of the falling marks, and in a last column all."""
    rows = [
        np.append(len(one) - np.searchsorted(np.sort(one), marks, side="right"), len(one)).astype(np.float64)
        for one in values
    ]
    return np.array(rows).reshape(len(values), len(marks) + 1)


class CrossFit:
    """One method on the rolls of one kind after the same number of photographs.

    A half's threshold is the laxest at which one false alarm more would still leave `FALSE_ALARMS` a roll or fewer.
    The one more makes it fair: if false alarms come independently, above the k-th strongest of n rolls another roll
    has k/n of them on average, and just above the score that is not let in there are as many as its own number says.
    Rolls take turns to be of one half or the other. With fewer than two rolls nothing can be chosen, and all is nan.
    """

    def __init__(self, scores: Sequence[RollScore]) -> None:
        place = np.arange(len(scores))
        even, odd = place[::2], place[1::2]
        self._truths = np.array([score.truths for score in scores], dtype=np.float64)
        self._sides = (_Side.of(scores, even, odd), _Side.of(scores, odd, even))

    def recall(self, weights: FloatArray) -> FloatArray:
        """Return the share of all grains found, for each row of weights (replicates, rolls)."""
        found = sum((side.counted(side.hits, weights) for side in self._sides), np.zeros(len(weights)))
        return np.asarray(ratio(found, weights @ self._truths))

    def false_alarms(self, weights: FloatArray) -> FloatArray:
        """Return false alarms a roll, which the promise says are `FALSE_ALARMS` or fewer on average."""
        found = sum((side.counted(side.false_alarms, weights) for side in self._sides), np.zeros(len(weights)))
        return np.asarray(ratio(found, weights.sum(axis=1)))


def threshold(scores: Sequence[RollScore]) -> float:
    """Return the threshold that all rolls together choose, by the same rule: what scores above it is let in.

    −inf where everything may be.
    """
    every = np.arange(len(scores))
    side = _Side.of(scores, every, every)
    column = int(side.cut(np.ones((1, len(scores))))[0])
    return float(side.false[column]) if column < len(side.false) else float("-inf")
