"""Order of the methods, where those that can't be told apart share a rank.

Every pair of methods is compared on the same bootstrap weights, and the p-values of all pairs of the board
are one family for Holm's step-down (Scand. J. Statistics 6 (1979) 65). All pairs rather than the leader
against the rest: which method leads was read off the same data, and the best of many equal methods beats the
worst of them by luck more often than a comparison named beforehand would.

From the best estimate down, a method opens a rank as its leader, and those that follow share it up to the
first that can be told apart from the leader. That one opens the next rank, whose number counts the methods
above it: 1, 1, 3. Not telling apart isn't transitive: a method far down with a wide interval may rank below
a leader it can't be told apart from, never above one it can.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .interval import Interval, Resampled, bca, difference, p_value

FloatArray = NDArray[np.float64]

DETECTABLE = 2.8
"""Standard errors that a true difference needs to be found by a two-sided test at 5 % in 80 % of suites:
Φ⁻¹(0.975) + Φ⁻¹(0.80) = 1.960 + 0.842."""


@dataclass(frozen=True, slots=True)
class Row:
    """One method's line on the board.

    Attributes
    ----------
    method, rank
        Rank 1 is best; equal ranks can't be told apart from their leader.
    estimate, low, high
        The metric and its interval.
    difference, difference_low, difference_high
        The method less the best one, ≤ 0, and the interval of that paired difference, not adjusted for the
        number of methods. nan for the best itself.
    p_value
        Of that difference, adjusted for all pairs of the board (Holm). nan for the best itself.
    """

    method: str
    rank: int
    estimate: float
    low: float
    high: float
    difference: float
    difference_low: float
    difference_high: float
    p_value: float


@dataclass(frozen=True, slots=True)
class Ranking:
    """The board.

    Attributes
    ----------
    rows
        Best first; methods without an estimate come last and share the last rank.
    resolution
        Smallest true difference that the suite finds in four of five cases: 2.8 × the median standard error
        of the paired differences. Smaller is better; nan with fewer than two methods.
    """

    rows: tuple[Row, ...]
    resolution: float


def rank(methods: Mapping[str, Resampled], *, level: float = 0.95) -> Ranking:
    """Order methods by their estimate, larger first, and let those share a rank that can't be told apart.

    Parameters
    ----------
    methods
        Name → its metric, all resampled with the same weights.
    level
        Confidence of the intervals; 1 − level is the family-wise error of telling equal methods apart.
    """
    known = sorted(
        (name for name in methods if np.isfinite(methods[name].estimate)),
        key=lambda name: (-methods[name].estimate, name),
    )
    unknown = sorted(set(methods) - set(known))
    gaps = {pair: difference(methods[pair[1]], methods[pair[0]]) for pair in combinations(known, 2)}
    adjusted = dict(zip(gaps, holm([p_value(gap) for gap in gaps.values()]).tolist(), strict=True))
    ranks = _ranks(known, adjusted, error=1 - level) + [len(known) + 1] * len(unknown)
    best = known[0] if known else ""
    rows = [
        _row(name, place, bca(methods[name], level=level), _gap(gaps, (best, name), level, adjusted))
        for name, place in zip(known + unknown, ranks, strict=True)
    ]
    return Ranking(tuple(rows), resolution(list(gaps.values())))


def holm(p_values: Sequence[float] | FloatArray) -> FloatArray:
    """Return p-values adjusted for their number by Holm's step-down; nan counts as 1.

    The i-th smallest of n becomes the largest (n − j + 1)·p of those up to it, at most 1.

    >>> holm([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    p = np.nan_to_num(np.asarray(p_values, dtype=np.float64), nan=1.0)
    order = np.argsort(p, kind="stable")
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)), 1.0)
    return adjusted


def resolution(gaps: Sequence[Resampled]) -> float:
    """Return 2.8 × the median standard error of paired differences, nan if none is defined."""
    errors = np.array([gap.standard_error for gap in gaps], dtype=np.float64)
    defined = errors[~np.isnan(errors)]
    return float(DETECTABLE * np.median(defined)) if len(defined) else float("nan")


def _ranks(names: Sequence[str], adjusted: Mapping[tuple[str, str], float], *, error: float) -> list[int]:
    ranks: list[int] = []
    leader = 0
    for place, name in enumerate(names):
        if place and adjusted[names[leader], name] < error:
            leader = place
        ranks.append(leader + 1)
    return ranks


def _gap(
    gaps: Mapping[tuple[str, str], Resampled],
    pair: tuple[str, str],
    level: float,
    adjusted: Mapping[tuple[str, str], float],
) -> tuple[Interval, float]:
    if pair not in gaps:
        return Interval(float("nan"), float("nan"), float("nan")), float("nan")
    return bca(gaps[pair], level=level), adjusted[pair]


def _row(method: str, place: int, own: Interval, gap: tuple[Interval, Any]) -> Row:
    less, p = gap
    return Row(
        method=method,
        rank=place,
        estimate=own.estimate,
        low=own.low,
        high=own.high,
        difference=less.estimate,
        difference_low=less.low,
        difference_high=less.high,
        p_value=p,
    )
