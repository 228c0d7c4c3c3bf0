"""Paired bootstrap by blocks, and intervals from it.

A block is what was drawn independently: all frames of one scene. A replicate draws as many blocks as there
are, with replacement; its weights say how often each was drawn. Every method is evaluated on the same
weights, so that a difference between two methods is paired by itself.

Source: B. Efron, 'Better bootstrap confidence intervals', J. Am. Stat. Assoc. 82 (1987) 171,
doi 10.1080/01621459.1987.10478410, with the acceleration from the jackknife over blocks.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtr

FloatArray = NDArray[np.float64]

Statistic = Callable[[FloatArray], FloatArray]
"""From weights (replicates, blocks) to one value a replicate, nan where it is undefined."""

LEAST_BLOCKS = 2
"""One block says nothing about how blocks vary."""

ROWS_AT_ONCE = 512
"""Of `by_rows`: the whole square of 14,000 blocks would take 1.6 GB."""

MEAN_REPLICATES = 2000
"""Of `mean_interval`: 50 beyond each end of a 95 % interval."""

_SEED = 11

LEAST_DEFINED = 0.5
"""If more than half of the replicates are undefined, so is the interval."""


@dataclass(frozen=True, slots=True)
class Resampled:
    """A statistic on the suite, on each bootstrap replicate, and with each block left out.

    Attributes
    ----------
    estimate
        On all blocks once.
    replicates
        (replicates,).
    jackknife
        (blocks,), entry i without block i.
    """

    estimate: float
    replicates: FloatArray
    jackknife: FloatArray

    @property
    def standard_error(self) -> float:
        """Standard deviation of the defined replicates, nan where there is no interval."""
        if not _is_defined(self):
            return float("nan")
        return float(np.std(_defined(self.replicates), ddof=1))


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with the two ends of its confidence interval; both nan where it is undefined."""

    estimate: float
    low: float
    high: float


def bootstrap_weights(blocks: int, replicates: int, *, rng: np.random.Generator) -> FloatArray:
    """Draw how often each block counts, (replicates, blocks); each row sums to `blocks`."""
    if blocks < 1 or replicates < 1:
        raise ValueError(f"blocks and replicates must be ≥ 1, not {blocks} and {replicates}")
    return rng.multinomial(blocks, np.full(blocks, 1 / blocks), size=replicates).astype(np.float64)


def resample(statistic: Statistic, weights: FloatArray) -> Resampled:
    """Evaluate a statistic on the whole, on every replicate and, from two blocks on, on the jackknife.

    >>> mean = lambda weights: weights @ np.array([1.0, 2.0, 6.0]) / weights.sum(axis=1)
    >>> resample(mean, np.array([[3.0, 0.0, 0.0]]))
    Resampled(estimate=3.0, replicates=array([1.]), jackknife=array([4. , 3.5, 1.5]))
    """
    blocks = weights.shape[1]
    whole = statistic(np.ones((1, blocks)))
    # A lone block left out leaves nothing to evaluate.
    jackknife = by_rows(statistic, blocks, lambda one: 1 - one) if blocks >= LEAST_BLOCKS else np.full(blocks, np.nan)
    return Resampled(float(whole[0]), np.asarray(statistic(weights)), jackknife)


def by_rows(statistic: Statistic, blocks: int, weight: Callable[[FloatArray], FloatArray]) -> FloatArray:
    """Return a statistic for each block singled out, (blocks,), a few rows of the square of weights at a time.

    Parameters
    ----------
    weight
        From rows of the unit matrix, 1 at the block that is singled out, to weights.
    """
    starts = range(0, blocks, ROWS_AT_ONCE)
    parts = [statistic(weight(np.eye(min(ROWS_AT_ONCE, blocks - start), blocks, start))) for start in starts]
    return np.concatenate([np.asarray(part) for part in parts])


def difference(one: Resampled, other: Resampled) -> Resampled:
    """Return `one` less `other`, replicate by replicate; both must come from the same weights."""
    if one.replicates.shape != other.replicates.shape or one.jackknife.shape != other.jackknife.shape:
        raise ValueError("methods must be resampled with the same weights; draw them once and share them")
    return Resampled(one.estimate - other.estimate, one.replicates - other.replicates, one.jackknife - other.jackknife)


def bca(resampled: Resampled, *, level: float = 0.95) -> Interval:
    """Return the bias-corrected and accelerated interval, the default of the project.

    The ends are the quantiles Φ(z₀ + (z₀ + z)/(1 − a(z₀ + z))) of the replicates. z₀ = Φ⁻¹ of the share of
    replicates below the estimate (equal ones count half), a = Σd³ / (6 (Σd²)^1.5) with d the mean of the
    jackknife less its entries. If all replicates are equal, the interval is that point; with fewer than two
    blocks, or mostly undefined replicates, it is nan.

    Few blocks make it too short. For the mean of normal (exponential) blocks, a nominal 95 % covered 84 (79)
    with 5 blocks, 90 (87) with 10, 93 (92) with 20 and 95 (94) with 50 in 1,500 trials each.
    """
    if not _is_defined(resampled):
        return Interval(resampled.estimate, float("nan"), float("nan"))
    bias, acceleration = _bias(resampled), _acceleration(resampled.jackknife)
    shifted = bias + ndtri(_tails(level))
    # |a| < 1/6 for any number of blocks and |z₀ + z| < 6 for any workable number of replicates: never ≤ 0.
    return _between(resampled, ndtr(bias + shifted / (1 - acceleration * shifted)))


def p_value(resampled: Resampled) -> float:
    """Return the two-sided p-value of 'the statistic is 0': 1 less the level at which `bca` just excludes 0.

    Where no replicate lies on the other side of 0, they can't say how rare that is; then Student's t of
    estimate/standard error with blocks − 1 degrees of freedom does. 1 where the estimate and all replicates
    are 0, nan where there is no interval.
    """
    if not _is_defined(resampled):
        return float("nan")
    replicates = _defined(resampled.replicates)
    if replicates.min() > 0 or replicates.max() < 0:
        return _student(resampled)
    if resampled.estimate == 0 and not replicates.any():
        return 1.0
    bias, acceleration = _bias(resampled), _acceleration(resampled.jackknife)
    below = np.clip(_count_below(replicates, 0.0), 0.5, len(replicates) - 0.5) / len(replicates)
    distance = ndtri(below) - bias
    tail = float(ndtr(distance / (1 + acceleration * distance) - bias))
    return 2 * min(tail, 1 - tail)


def mean_interval(values: FloatArray, blocks: Sequence[str], *, level: float = 0.95) -> Interval:
    """Return the mean of the values that are numbers, (n,), with its interval over their blocks."""
    known = ~np.isnan(values)
    names, index = np.unique(np.asarray(blocks)[known], return_inverse=True)
    if not len(names):
        return Interval(float("nan"), float("nan"), float("nan"))
    sums, sizes = np.bincount(index, weights=values[known]), np.bincount(index)
    weights = bootstrap_weights(len(names), MEAN_REPLICATES, rng=np.random.default_rng(_SEED))
    return bca(resample(lambda drawn: np.asarray((drawn @ sums) / (drawn @ sizes)), weights), level=level)


def _student(resampled: Resampled) -> float:
    freedom = len(resampled.jackknife) - 1
    error = resampled.standard_error
    return float(2 * stdtr(freedom, -abs(resampled.estimate) / error)) if error > 0 else 0.0


def _tails(level: float) -> FloatArray:
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level}")
    return np.array([(1 - level) / 2, (1 + level) / 2])


def _defined(values: FloatArray) -> FloatArray:
    return values[~np.isnan(values)]


def _is_defined(resampled: Resampled) -> bool:
    enough = len(_defined(resampled.replicates)) > LEAST_DEFINED * len(resampled.replicates)
    return bool(np.isfinite(resampled.estimate) and enough and len(resampled.jackknife) >= LEAST_BLOCKS)


def _count_below(values: FloatArray, mark: float) -> float:
    """Count the values below the mark, equal ones half."""
    return float(np.sum(values < mark) + 0.5 * np.sum(values == mark))


def _bias(resampled: Resampled) -> float:
    replicates = _defined(resampled.replicates)
    # If all lie on one side, half a replicate stands for what more of them would have shown.
    share = np.clip(_count_below(replicates, resampled.estimate), 0.5, len(replicates) - 0.5)
    return float(ndtri(share / len(replicates)))


def _acceleration(jackknife: FloatArray) -> float:
    values = _defined(jackknife)
    if len(values) == 0 or np.ptp(values) == 0:
        return 0.0
    gap = np.mean(values) - values
    return float(np.sum(gap**3) / (6 * np.sum(gap**2) ** 1.5))


def _between(resampled: Resampled, shares: NDArray[Any]) -> Interval:
    if not _is_defined(resampled):
        return Interval(resampled.estimate, float("nan"), float("nan"))
    low, high = np.quantile(_defined(resampled.replicates), shares)
    return Interval(resampled.estimate, float(low), float(high))
