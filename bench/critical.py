"""Mean ranks over scenes, and how far apart two must lie to be told apart: Friedman's test and Nemenyi's difference.

On each block the methods are ranked by their average precision there, 1 is best and ties share the mean of their
ranks; blocks without a visible shadow rank nobody. Source: J. Demšar, 'Statistical comparisons of classifiers over
multiple data sets', JMLR 7 (2006) 1, whose data sets are scenes here: they must be independent, which blocks are.

It is a picture beside the board and looks at ranks only: by how much one method beats another says the board.
`signed_rank` gives the pairwise claims that stand without the board's bootstrap.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_law
from scipy.stats import rankdata, studentized_range, wilcoxon

from .cells import Table, grounds, pooled_hits, where
from .interval import by_rows
from .ranking import holm

FloatArray = NDArray[np.float64]

LEAST_METHODS = 3
"""Two methods need no ranks: the board compares them."""

LEAST_BLOCKS = 10
"""Demšar's limit, above which the laws of the statistics may be used."""

ERROR = 0.05
"""Chance that any two equal methods are told apart."""


@dataclass(frozen=True, slots=True)
class MeanRanks:
    """The methods of one ground.

    Attributes
    ----------
    mean_rank
        Name to mean rank, the best first.
    blocks
        Over how many blocks.
    p_value
        Of 'all methods are equal' (Iman & Davenport's F of Friedman's χ², tie-corrected).
    difference
        Mean ranks that lie this far apart differ (Nemenyi, family-wise at `ERROR`).
    """

    mean_rank: Mapping[str, float]
    blocks: int
    p_value: float
    difference: float


def mean_ranks(table: Table) -> dict[str, MeanRanks]:
    """Return the mean ranks of each ground whose scenes and methods are enough for it."""
    found = {}
    for ground in grounds(table):
        scores = block_scores(where(table, ground=ground))
        values = np.array(list(scores.values()))
        if len(scores) >= LEAST_METHODS and values.shape[1] >= LEAST_BLOCKS:
            found[ground] = compare_ranks(scores)
    return found


def block_scores(table: Table) -> dict[str, FloatArray]:
    """Return each method's average precision on each block that has a visible shadow, (blocks,)."""
    scores = {}
    for name, records in table.items():
        hits = pooled_hits(records)
        scores[name] = by_rows(hits.average_precision, len(hits.truths), lambda one: one)
    return {name: values[~np.isnan(values)] for name, values in scores.items()}


def compare_ranks(scores: Mapping[str, FloatArray]) -> MeanRanks:
    """Return the mean ranks of methods by their scores (blocks,) each, larger is better."""
    ranks = rankdata(-np.array(list(scores.values())), axis=0)
    methods, blocks = ranks.shape
    means = dict(zip(scores, ranks.mean(axis=1).tolist(), strict=True))
    return MeanRanks(
        mean_rank=dict(sorted(means.items(), key=lambda item: (item[1], item[0]))),
        blocks=blocks,
        p_value=_p_value(friedman(ranks), methods=methods, blocks=blocks),
        difference=critical_difference(methods, blocks),
    )


def signed_rank(scores: Mapping[str, FloatArray]) -> dict[frozenset[str], float]:
    """Return the p-value of each pair of methods, by Wilcoxon's signed ranks over blocks, adjusted by Holm.

    Zero differences are split between both sides (Demšar, section 3.1.3). 1 for a pair that never differs.
    """
    pairs = list(combinations(scores, 2))
    found = [_signed_rank(scores[one] - scores[other]) for one, other in pairs]
    return dict(zip(map(frozenset, pairs), holm(found).tolist(), strict=True))


def _signed_rank(difference: FloatArray) -> float:
    if not difference.any():
        return 1.0
    return float(wilcoxon(difference, zero_method="zsplit", method="approx").pvalue)


def friedman(ranks: FloatArray) -> float:
    """Return Friedman's χ² of ranks (methods, blocks), corrected for ties; nan where all are tied.

    (k − 1)·Σ(R_j − N(k + 1)/2)² / (Σr² − Nk(k + 1)²/4), R_j the rank sums (Conover, Practical Nonparametric
    Statistics, ch. 5, from memory). Without ties it is Demšar's formula.
    """
    methods, blocks = ranks.shape
    spread = float((ranks**2).sum()) - blocks * methods * (methods + 1) ** 2 / 4
    if spread == 0:
        return math.nan
    return float((methods - 1) * ((ranks.sum(axis=1) - blocks * (methods + 1) / 2) ** 2).sum() / spread)


def iman_davenport(chi_square: float, *, methods: int, blocks: int) -> float:
    """Return F = (N − 1)·χ²/(N·(k − 1) − χ²), inf where all blocks agree."""
    rest = blocks * (methods - 1) - chi_square
    return math.inf if rest <= 0 else (blocks - 1) * chi_square / rest


def _p_value(chi_square: float, *, methods: int, blocks: int) -> float:
    if math.isnan(chi_square):
        return 1.0
    value = iman_davenport(chi_square, methods=methods, blocks=blocks)
    return float(f_law.sf(value, methods - 1, (methods - 1) * (blocks - 1)))


def p_value(value: float) -> str:
    """Return a p-value in words.

    >>> p_value(0.0002), p_value(0.0413)
    ('p < .001', 'p = .041')
    """
    return "p < .001" if value < 0.001 else f"p = {value:.3f}".replace("0.", ".")


def critical_difference(methods: int, blocks: int, *, error: float = ERROR) -> float:
    """Return Nemenyi's q·√(k(k + 1)/(6N)), q the studentized range's quantile over √2.

    >>> round(critical_difference(4, 14), 3)
    1.254
    """
    quantile = float(studentized_range.ppf(1 - error, methods, np.inf)) / math.sqrt(2)
    return quantile * math.sqrt(methods * (methods + 1) / (6 * blocks))
