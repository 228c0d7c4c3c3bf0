"""Average precision of many reweightings of the same candidates at once, for the bootstrap."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .curve import (
    BoolArray,
    Convention,
    FloatArray,
    accumulate,
    area_under,
    candidates,
)

if TYPE_CHECKING:
    from scipy.sparse import csr_array

IntArray = NDArray[np.intp]

REPLICATES_AT_ONCE = 512
"""Bootstrap replicates held in memory together, at most."""

NUMBERS_AT_ONCE = 2_000_000
"""Of one array of theirs, 16 MB; where hits are many, fewer replicates are held."""


@dataclass(frozen=True, slots=True)
class PooledHits:
    """The candidates of many blocks, kept so that blocks can be reweighted many times at once.

    A block is what the bootstrap draws: the frames of one scene. Precision peaks and recall moves only
    where a hit enters, so thresholds that let in false alarms alone are folded into the next hit. What
    remains are two small matrices of new hits and new false alarms per step and block; a replicate is their
    product with the block's weights, summed along the steps.

    Attributes
    ----------
    new_hits, new_false_alarms
        Sparse (steps, blocks).
    truths
        (blocks,): counted true spots of each block.
    """

    new_hits: csr_array
    new_false_alarms: csr_array
    truths: FloatArray

    def average_precision(self, weights: NDArray[Any], convention: Convention = Convention.EVERY_POINT) -> FloatArray:
        """Average precision of each replicate.

        Parameters
        ----------
        weights
            (replicates, blocks): how often each block counts. All ones is the suite itself.
        convention
            How the area is taken.

        Returns
        -------
        FloatArray
            (replicates,), 0…1, more is better; nan where the weighted blocks hold no true spot.
        """
        parts = [area_under(*self._counts(some), some @ self.truths, convention) for some in self._portions(weights)]
        return np.concatenate(parts)

    def _counts(self, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
        columns = np.ascontiguousarray(weights.T)
        hits = accumulate(np.add, self.new_hits @ columns)
        return hits, accumulate(np.add, self.new_false_alarms @ columns)

    def _portions(self, weights: NDArray[Any]) -> list[FloatArray]:
        rows = np.asarray(weights, dtype=np.float64)
        if rows.ndim != 2 or rows.shape[1] != len(self.truths):
            raise ValueError(f"weights must have shape (replicates, {len(self.truths)}), not {rows.shape}")
        some = max(1, min(REPLICATES_AT_ONCE, NUMBERS_AT_ONCE // self.new_hits.shape[0]))
        return [rows[start : start + some] for start in range(0, len(rows), some)]


def pool(score: NDArray[Any], hit: NDArray[np.bool_], block: NDArray[Any], *, truths: NDArray[Any]) -> PooledHits:
    """Gather the candidates of all frames.

    Parameters
    ----------
    score, hit, block
        (m,) of all frames together, without ignored candidates; `block` counts from 0.
    truths
        (blocks,): counted true spots of each block, empty blocks included.
    """
    score, hit = candidates(score, hit)
    block = np.asarray(block, dtype=np.intp)
    counted = np.asarray(truths, dtype=np.float64)
    _check_blocks(block, hit, counted)
    step, steps = _hit_steps(score, hit)
    shape = (steps, len(counted))
    return PooledHits(_tally(step[hit], block[hit], shape), _tally(step[~hit], block[~hit], shape), counted)


def _check_blocks(block: IntArray, hit: BoolArray, truths: FloatArray) -> None:
    if truths.ndim != 1:
        raise ValueError(f"truths must have shape (blocks,), not {truths.shape}")
    if block.shape != hit.shape or np.any((block < 0) | (block >= len(truths))):
        raise ValueError(f"block must name one of {len(truths)} blocks for each of {len(hit)} candidates")
    excess = np.flatnonzero(np.bincount(block[hit], minlength=len(truths)) > truths)
    if len(excess):
        raise ValueError(f"block {excess[0]} has more hits than its {truths[excess[0]]:g} true spots")


def _hit_steps(score: FloatArray, hit: BoolArray) -> tuple[IntArray, int]:
    """Return the step at which each candidate enters, and the number of steps.

    One step for each distinct score of a hit, from the highest, and a last one for what lies below them all.
    """
    levels = np.unique(-score[hit])
    return np.searchsorted(levels, -score, side="left"), len(levels) + 1


def _tally(step: IntArray, block: IntArray, shape: tuple[int, int]) -> csr_array:
    from scipy.sparse import csr_array  # keeps the command line quick to start

    return csr_array((np.ones(len(step)), (step, block)), shape=shape)
