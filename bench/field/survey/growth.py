"""How fast dust comes: counts over days as Poisson counts, with exact intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom, binomtest, chi2, fisher_exact

NATURAL_LOSS = 0.1
"""Share of the grains that leaves their place between two surveys by itself, at most: by the camera's shaking and
lens changes (invented: nothing published is known to us)."""

CLEAN_LEVEL = 0.01
"""More leave than that share explains once in a hundred times: that was a clean."""


@dataclass(frozen=True, slots=True)
class Rate:
    """A count over a time with the two ends of its 95 % interval, a day; nan without any time."""

    count: int
    days: float
    per_day: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Stay:
    """How many of how many grains a clean left where they were."""

    stayed: int
    of: int


def poisson_interval(count: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of the mean of a Poisson count: χ²(α/2, 2n)/2 and χ²(1 − α/2, 2n + 2)/2.

    Source: F. Garwood, 'Fiducial limits for the Poisson distribution', Biometrika 28 (1936) 437,
    doi 10.1093/biomet/28.3-4.437.

    >>> [round(end, 2) for end in poisson_interval(10)]
    [4.8, 18.39]
    """
    if count < 0 or not 0 < level < 1:
        raise ValueError(f"a count must be at least 0 and a level between 0 and 1, not {count} and {level}")
    tail = (1 - level) / 2
    low = float(chi2.ppf(tail, 2 * count)) / 2 if count else 0.0
    return low, float(chi2.ppf(1 - tail, 2 * count + 2)) / 2


def rate(counts: Sequence[int], days: Sequence[float]) -> Rate:
    """Return all counts over all days."""
    count, time = sum(counts), math.fsum(days)
    if not time > 0:
        return Rate(count, 0.0, math.nan, math.nan, math.nan)
    low, high = poisson_interval(count)
    return Rate(count, time, count / time, low / time, high / time)


def dispersion_p(counts: Sequence[int], days: Sequence[float]) -> float:
    """Return how often one steady rate would make counts that differ as much: small where dust came in bursts.

    Σ (n − λt)²/(λt) with λ = Σn/Σt is distributed about as χ² with one degree of freedom less than spans. nan for
    fewer than two spans with time, or no grain.

    Source: R. A. Fisher, Statistical Methods for Research Workers (1925), section 16, the index of dispersion (from
    memory).
    """
    spans = [(n, t) for n, t in zip(counts, days, strict=True) if t > 0]
    total, time = sum(n for n, _ in spans), math.fsum(t for _, t in spans)
    if len(spans) < 2 or total == 0:
        return math.nan
    statistic = math.fsum((n - total * t / time) ** 2 / (total * t / time) for n, t in spans)
    return float(chi2.sf(statistic, len(spans) - 1))


def ratio_p(one: Rate, other: Rate) -> float:
    """Return the two-sided p-value of 'the two rates are equal', nan where either has no time.

    Given their sum, the first count is binomial with the share of its time.

    Source: J. Przyborowski and H. Wilenski, 'Homogeneity of results in testing samples from Poisson series',
    Biometrika 31 (1940) 313, doi 10.1093/biomet/31.3-4.313.
    """
    if not (one.days > 0 and other.days > 0):
        return math.nan
    total = one.count + other.count
    return float(binomtest(one.count, total, one.days / (one.days + other.days)).pvalue) if total else 1.0


def stay_p(old: Stay, fresh: Stay) -> float:
    """Return the one-sided p-value of 'the old stay no more often than the fresh', nan where either has none.

    Source: R. A. Fisher, The Design of Experiments (1935), chapter 2, the exact test (from memory).

    >>> round(stay_p(Stay(3, 4), Stay(1, 4)), 3)
    0.243
    """
    if not (old.of and fresh.of):
        return math.nan
    table = np.array([[one.stayed, one.of - one.stayed] for one in (old, fresh)])
    return float(fisher_exact(table, alternative="greater").pvalue)


def is_drop(left: int, of: int) -> bool:
    """Tell whether so many of so many grains left their places that it was a clean.

    >>> is_drop(2, 21), is_drop(17, 21), is_drop(2, 2)
    (False, True, False)
    """
    return bool(of and binom.sf(left - 1, of, NATURAL_LOSS) < CLEAN_LEVEL)
