"""`interval.bca` for many statistics at once, such as one recall at each of a hundred thresholds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from .interval import LEAST_BLOCKS, LEAST_DEFINED

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Intervals:
    """Estimates (k,) with the ends of their confidence intervals; ends are nan where they are undefined."""

    estimate: FloatArray
    low: FloatArray
    high: FloatArray


def bca_columns(
    estimate: FloatArray, replicates: FloatArray, jackknife: FloatArray, *, level: float = 0.95
) -> Intervals:
    """Return the bias-corrected and accelerated interval of each column; see `interval.bca` for the formulas.

    Parameters
    ----------
    estimate, replicates, jackknife
        (k,), (replicates, k), (blocks, k); nan where a ratio is 0/0.
    """
    defined = (~np.isnan(replicates)).sum(axis=0)
    usable = np.isfinite(estimate) & (defined > LEAST_DEFINED * len(replicates)) & (len(jackknife) >= LEAST_BLOCKS)
    low, high = np.full_like(estimate, np.nan), np.full_like(estimate, np.nan)
    if not usable.any():
        return Intervals(estimate, low, high)
    middle, number = estimate[usable], defined[usable]
    ranked = np.sort(replicates[:, usable], axis=0)  # nan last
    below = (ranked < middle).sum(axis=0) + 0.5 * (ranked == middle).sum(axis=0)
    bias = ndtri(np.clip(below, 0.5, number - 0.5) / number)
    acceleration = _acceleration(jackknife[:, usable])
    for end, tail in ((low, (1 - level) / 2), (high, (1 + level) / 2)):
        shifted = bias + ndtri(tail)
        end[usable] = _quantile(ranked, number, ndtr(bias + shifted / (1 - acceleration * shifted)))
    return Intervals(estimate, low, high)


def _acceleration(jackknife: FloatArray) -> FloatArray:
    known = ~np.isnan(jackknife)
    values = np.where(known, jackknife, 0.0)
    mean = values.sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    gap = np.where(known, mean - values, 0.0)
    spread = np.where(known, np.abs(values - values.max(axis=0, where=known, initial=-np.inf)), 0.0).max(axis=0)
    flat = spread == 0
    square = np.where(flat, 1.0, (gap**2).sum(axis=0))
    return np.where(flat, 0.0, (gap**3).sum(axis=0) / (6 * square**1.5))


def _quantile(ranked: FloatArray, number: NDArray[np.intp], share: FloatArray) -> FloatArray:
    """Return a quantile of its own of the first `number` rows of each column, linear between them."""
    place = share * (number - 1)
    first = np.floor(place).astype(np.intp)
    second = np.minimum(first + 1, number - 1)
    columns = np.arange(ranked.shape[1])
    start = ranked[first, columns]
    return np.asarray(start + (place - first) * (ranked[second, columns] - start))
