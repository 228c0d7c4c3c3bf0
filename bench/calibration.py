"""Fitting probabilities to scores: isotonic regression, by aperture and texture where that helps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..detectors.calibrated import Map, grid_weights

FloatArray = NDArray[np.float64]

TEXTURES = 3
"""Classes of texture, each with as many candidates."""

FOLDS = 5

FOLD_SEED = 26107


@dataclass(frozen=True, slots=True)
class Sample:
    """Judged candidates, ignored ones left out: columns of one length.

    Attributes
    ----------
    score, hit
        The detector's score, and whether it is on a shadow that counts.
    log2_f_number, log_texture
        Of the frame, and of the tile that it lies in.
    block
        Number of the frame's scene: what was drawn independently.
    """

    score: FloatArray
    hit: NDArray[np.bool_]
    log2_f_number: FloatArray
    log_texture: FloatArray
    block: NDArray[np.intp]

    def take(self, index: NDArray[Any]) -> Sample:
        """Return some of the candidates."""
        columns = (self.score, self.hit, self.log2_f_number, self.log_texture, self.block)
        return Sample(*(column[index] for column in columns))


@dataclass(frozen=True, slots=True)
class Grid:
    """Maps at lines of aperture and texture, as in `Calibration`."""

    log2_f_numbers: tuple[float, ...]
    log_textures: tuple[float, ...]
    maps: tuple[tuple[Map, ...], ...]

    def probability(self, sample: Sample) -> FloatArray:
        """Return the probability of each candidate."""
        above = grid_weights(sample.log2_f_number, self.log2_f_numbers)
        beside = grid_weights(sample.log_texture, self.log_textures)
        values = np.array([[one(sample.score) for one in row] for row in self.maps])
        return np.asarray(np.einsum("mf,mt,ftm->m", above, beside, values))


def isotonic(score: NDArray[Any], hit: NDArray[Any]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the blocks of the isotonic regression of hits on score.

    Of all functions that never descend, the one with the least squared error; equal scores are one point (pool
    adjacent violators: Ayer et al., Ann. Math. Stat. 26 (1955) 641; scores to probabilities: Zadrozny & Elkan, KDD
    2002; both from memory).

    Returns
    -------
    tuple
        Mean score, share of hits, number of candidates and of hits of each block, ascending.

    Raises
    ------
    ValueError
        If there is no candidate.
    """
    from scipy.optimize import isotonic_regression  # keeps the command line quick to start

    if len(score) == 0:
        raise ValueError("no candidates to fit probabilities to")
    levels, place, counts = np.unique(np.asarray(score, dtype=np.float64), return_inverse=True, return_counts=True)
    hits = np.bincount(place, weights=np.asarray(hit, dtype=np.float64))
    edges = isotonic_regression(hits / counts, weights=counts.astype(np.float64)).blocks
    total, found, weighted = (np.add.reduceat(column, edges[:-1]) for column in (counts, hits, levels * counts))
    return weighted / total, found / total, total.astype(np.float64), found


def monotone_map(score: NDArray[Any], hit: NDArray[Any]) -> Map:
    """Return probability over score, straight between the middles of the blocks of `isotonic`.

    Straight lines keep the order that steps would lose. A block of n candidates with k hits counts as (k + ½)/(n + 1),
    Jeffreys' estimate: no finite sample makes anything certain. From the outer middles the lines go on to half the
    remaining probability at the outermost score.
    """
    middle, _, total, found = isotonic(score, hit)
    probability = np.maximum.accumulate((found + 0.5) / (total + 1))
    low, high = float(np.min(score)), float(np.max(score))
    knots = [(low, probability[0] / 2)] if low < middle[0] else []
    knots += list(zip(middle, probability, strict=True))
    knots += [(high, (1 + probability[-1]) / 2)] if high > middle[-1] else []
    return Map(*(tuple(float(value) for value in column) for column in zip(*knots, strict=True)))


def fit_grid(sample: Sample, *, by_aperture: bool, by_texture: bool) -> Grid:
    """Return maps at each aperture of the sample, at the middles of its classes of texture, or at one line each."""
    f_lines = np.unique(sample.log2_f_number) if by_aperture else np.array([float(np.mean(sample.log2_f_number))])
    f_class = np.searchsorted(f_lines, sample.log2_f_number) if by_aperture else np.zeros(len(sample.score), dtype=int)
    t_class = _texture_class(sample.log_texture) if by_texture else np.zeros(len(sample.score), dtype=int)
    t_lines = [float(np.median(sample.log_texture[t_class == one])) for one in np.unique(t_class)]
    rows = []
    for row in range(len(f_lines)):
        columns = []
        for column in np.unique(t_class):
            here = (f_class == row) & (t_class == column)
            # A class that an aperture never saw is what it is at the other apertures.
            mine = sample.take(here if here.any() else t_class == column)
            columns.append(monotone_map(mine.score, mine.hit))
        rows.append(tuple(columns))
    return Grid(tuple(map(float, f_lines)), tuple(t_lines), tuple(rows))


def _texture_class(log_texture: FloatArray) -> NDArray[np.intp]:
    edges = np.unique(np.quantile(log_texture, np.arange(1, TEXTURES) / TEXTURES))
    found = np.searchsorted(edges, log_texture, side="left")
    return np.unique(found, return_inverse=True)[1].astype(np.intp)


KINDS: dict[str, dict[str, bool]] = {
    "one map": {"by_aperture": False, "by_texture": False},
    "by aperture": {"by_aperture": True, "by_texture": False},
    "by texture": {"by_aperture": False, "by_texture": True},
    "by aperture and texture": {"by_aperture": True, "by_texture": True},
}
"""Simplest first."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A kind of grid, cross-validated: Brier score, and its difference to the best kind's with standard error."""

    kind: str
    brier: float
    excess: float
    error: float


def cross_validated(sample: Sample) -> list[Trial]:
    """Try each kind on blocks that it was not fitted on, `FOLDS` times, and compare block by block.

    Raises
    ------
    ValueError
        If there are fewer blocks than folds.
    """
    blocks = np.unique(sample.block)
    if len(blocks) < FOLDS:
        raise ValueError(f"{len(blocks)} frames with candidates are too few to fit on; take {FOLDS} or more")
    fold_of_block = np.random.default_rng(FOLD_SEED).permutation(len(blocks)) % FOLDS
    fold = fold_of_block[np.searchsorted(blocks, sample.block)]
    losses = {kind: _losses(sample, fold, blocks, **how) for kind, how in KINDS.items()}
    best = min(losses, key=lambda kind: float(losses[kind].sum()))
    return [_trial(kind, losses[kind], losses[best], len(sample.score)) for kind in KINDS]


def _losses(sample: Sample, fold: NDArray[Any], blocks: NDArray[Any], **how: bool) -> FloatArray:
    """Return the sum of squared errors of each block."""
    square = np.zeros(len(sample.score))
    for number in range(FOLDS):
        out = fold == number
        grid = fit_grid(sample.take(~out), **how)
        square[out] = (grid.probability(sample.take(out)) - sample.hit[out]) ** 2
    return np.bincount(np.searchsorted(blocks, sample.block), weights=square, minlength=len(blocks)).astype(np.float64)


def _trial(kind: str, losses: FloatArray, best: FloatArray, candidates: int) -> Trial:
    excess = (losses - best) / candidates
    error = float(np.sqrt(len(excess)) * np.std(excess, ddof=1))
    return Trial(kind, float(losses.sum()) / candidates, float(excess.sum()), error)


def chosen(trials: Sequence[Trial]) -> str:
    """Return the simplest kind that is no more than one standard error worse than the best.

    The rule of one standard error: Breiman et al., Classification and Regression Trees, 1984 (from memory).
    """
    return next(trial.kind for trial in trials if trial.excess <= trial.error)
