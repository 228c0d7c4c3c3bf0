"""A method in a cell at many thresholds: what moving the threshold would change.

A candidate is taken when its score is greater than the threshold, as `find` does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .cells import Record, pooled_curve
from .curve import Curve, above, precision, ratio, recall
from .interval import bootstrap_weights
from .interval_table import Intervals, bca_columns

FloatArray = NDArray[np.float64]

STEPS = 90
"""Thresholds kept; more than a slider of a few hundred pixels could part."""

NOISIEST = 30.0
"""False alarms a frame beyond which no one would go, and no threshold is kept."""

REPLICATES = 1000
_SEED = 6


@dataclass(frozen=True, slots=True)
class Sweep:
    """Counts and rates at each threshold, over all frames of a cell.

    Attributes
    ----------
    threshold
        (k,), descending: the score above which a candidate is taken.
    hits, false_alarms
        (k,), counts.
    truths, frames
        Shadows that an observer would see, and frames.
    recall, precision, false_alarms_per_frame
        With 95 % intervals (BCa over blocks); precision is nan where nothing is taken.
    """

    threshold: FloatArray
    hits: FloatArray
    false_alarms: FloatArray
    truths: int
    frames: int
    recall: Intervals
    precision: Intervals
    false_alarms_per_frame: Intervals


def sweep(records: Sequence[Record], *, also: Sequence[float] = ()) -> Sweep:
    """Return what one method does in one cell at up to `STEPS` thresholds.

    Parameters
    ----------
    also
        Thresholds to keep whatever they are, such as the chosen one; infinite ones are left out.
    """
    levels = _levels(pooled_curve(records))
    return measure(records, np.unique(np.concatenate([levels, [t for t in also if np.isfinite(t)]]))[::-1])


def measure(records: Sequence[Record], threshold: FloatArray) -> Sweep:
    """Return what one method does on some frames at given thresholds (k,)."""
    blocks, block = np.unique([record.frame.block for record in records], return_inverse=True)
    hits = _by_block([record.score[record.hit] for record in records], threshold, block)
    false = _by_block([record.false_scores for record in records], threshold, block)
    counted = np.array([record.frame.counted for record in records], dtype=np.float64)
    truths = np.bincount(block, weights=counted, minlength=len(blocks)).astype(np.float64)[:, None]
    frames = np.bincount(block, minlength=len(blocks)).astype(np.float64)[:, None]
    found, pure, noise = _rates(hits, false, truths, frames)
    whole = (hits.sum(axis=0), false.sum(axis=0), int(truths.sum()), len(records))
    return Sweep(threshold, *whole, recall=found, precision=pure, false_alarms_per_frame=noise)


def _levels(counts: Curve) -> FloatArray:
    """Pick thresholds at equal steps of recall and of the logarithm of false alarms, up to the noisiest."""
    kept = np.flatnonzero(counts.false_alarms_per_frame <= NOISIEST)
    if len(kept) == 0:
        return np.zeros(0)
    path = np.nan_to_num(counts.recall) + np.log1p(counts.false_alarms_per_frame) / np.log1p(NOISIEST)
    wanted = np.linspace(path[kept[0]], path[kept[-1]], STEPS)
    picked = np.unique(np.searchsorted(path[kept], wanted, side="left").clip(0, len(kept) - 1))
    lowest = np.nextafter(counts.threshold[kept[-1]], -np.inf)
    return np.append(counts.threshold[kept[picked]], lowest)


def _by_block(scores: Sequence[NDArray[Any]], threshold: FloatArray, block: NDArray[np.intp]) -> FloatArray:
    """Return (blocks, k): how many scores of each block's frames lie above each threshold."""
    found = np.zeros((block.max() + 1, len(threshold)))
    for values, row in zip(scores, block, strict=True):
        found[row] += above(values, threshold)
    return found


def _rates(hits: FloatArray, false: FloatArray, truths: FloatArray, frames: FloatArray) -> list[Intervals]:
    blocks = len(hits)
    drawn = bootstrap_weights(blocks, REPLICATES, rng=np.random.default_rng(_SEED))
    samples = [np.ones((1, blocks)), drawn, np.ones((blocks, blocks)) - np.eye(blocks)]

    def intervals(rate: Any) -> Intervals:
        whole, replicates, without = (rate(weights) for weights in samples)
        return bca_columns(whole[0], replicates, without)

    return [
        intervals(lambda w: np.asarray(recall(w @ hits, w @ truths))),
        intervals(lambda w: np.asarray(precision(w @ hits, w @ false))),
        intervals(lambda w: np.asarray(ratio(w @ false, w @ frames))),
    ]
