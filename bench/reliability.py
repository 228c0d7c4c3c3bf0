"""Whether probabilities hold: seven in ten of what is called 0.7 should be dust."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

FloatArray = NDArray[np.float64]

BINS = 12
"""Bins, each with an equal part of Σ p(1 − p), the variance that chance alone gives. Bins of equal numbers of
candidates would nearly all lie at 0, where most are, and bins of equal width would be empty in the middle."""

DRAWS, DRAW_SEED = 400, 26108


@dataclass(frozen=True, slots=True)
class Bin:
    """Candidates of neighbouring probability: their mean, the share that is dust with its interval, and count."""

    predicted: float
    share: float
    low: float
    high: float
    count: int


@dataclass(frozen=True, slots=True)
class Reliability:
    """How far probabilities are from what happened.

    Attributes
    ----------
    bins
        Ascending.
    error
        Expected calibration error: the mean over candidates of |share − mean probability| of their bin (Naeini et
        al., AAAI 2015, from memory). 0…1, less is better; never 0 on a finite sample.
    error_of_perfect
        95th percentile of the same where each candidate is dust with just its probability: what chance makes.
    debiased
        Root mean square calibration error with the sampling variance of the shares taken off (Kumar, Liang & Ma,
        NeurIPS 2019, arXiv:1909.10155, section 4, from memory); 0 where nothing is left. Less is better.
    brier
        Mean squared error of the probabilities (Brier, Mon. Weather Rev. 78 (1950) 1). 0…1, less is better.
    brier_of_share
        The same for a method that calls each candidate by the overall share of dust.
    """

    bins: tuple[Bin, ...]
    error: float
    error_of_perfect: float
    debiased: float
    brier: float
    brier_of_share: float

    @property
    def count(self) -> int:
        """Number of candidates."""
        return sum(one.count for one in self.bins)


def reliability(
    probability: NDArray[Any], hit: NDArray[Any], *, bins: int = BINS, block: NDArray[np.intp] | None = None
) -> Reliability:
    """Return the reliability of probabilities (m,), given what each candidate is.

    Parameters
    ----------
    block
        Number of the scene that each candidate is of, (m,): those of one scene share its ground, and bins' intervals
        widen by as much as their shares differ more from scene to scene than chance makes.

    Raises
    ------
    ValueError
        If there is no candidate, or a probability is none.
    """
    p, y = np.asarray(probability, dtype=np.float64), np.asarray(hit, dtype=np.float64)
    if len(p) == 0 or not np.all((p >= 0) & (p <= 1)):
        raise ValueError("reliability needs at least one candidate, and probabilities in 0…1")
    parts = _parts(p, bins)
    number = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    ordered = np.concatenate(parts)
    rng = np.random.default_rng(DRAW_SEED)
    perfect = [_error(p[ordered], rng.random(len(p)) < p[ordered], number) for _ in range(DRAWS)]
    return Reliability(
        bins=tuple(_bin(p[part], y[part], None if block is None else block[part]) for part in parts),
        error=_error(p[ordered], y[ordered], number),
        error_of_perfect=float(np.quantile(perfect, 0.95)),
        debiased=_debiased(p, y, parts),
        brier=float(np.mean((p - y) ** 2)),
        brier_of_share=float(np.mean((y.mean() - y) ** 2)),
    )


def _parts(p: FloatArray, bins: int) -> list[NDArray[np.intp]]:
    """Return the indices of each bin's candidates, ascending; equal probabilities stay together."""
    levels, place, counts = np.unique(p, return_inverse=True, return_counts=True)
    variance = levels * (1 - levels) * counts
    before = np.cumsum(variance) - variance / 2
    total = float(variance.sum())
    number = np.minimum(bins * before / total, bins - 1).astype(int) if total > 0 else (levels > 0).astype(int)
    return [np.flatnonzero(number[place] == one) for one in np.unique(number)]


def _bin(p: FloatArray, y: FloatArray, block: NDArray[np.intp] | None) -> Bin:
    share = float(y.mean())
    low, high = wilson(share, len(y) / (1.0 if block is None else design_effect(y, block)))
    return Bin(float(p.mean()), share, low, high, len(y))


def wilson(share: float, count: float, *, level: float = 0.95) -> tuple[float, float]:
    """Return the ends of Wilson's interval for a share of `count` trials, which may be an effective number.

    J. Am. Stat. Assoc. 22 (1927) 209.
    """
    z = float(ndtri((1 + level) / 2))
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * np.sqrt(share * (1 - share) / count + z * z / (4 * count * count))
    # At a share of 0 or 1 the end is that share itself, which rounding may miss.
    return (0.0 if share == 0 else float(middle - half)), (1.0 if share == 1 else float(middle + half))


def design_effect(y: FloatArray, block: NDArray[np.intp]) -> float:
    """Return by how much the variance of a share over blocks is larger than that of independent trials, at least 1.

    The former is that of a ratio, B/(B − 1) Σ (hits − share·count)²/n² over B blocks (Kish, Survey Sampling, 1965;
    from memory). 1 where it can't be told: one block, or a share of 0 or 1.
    """
    _, number = np.unique(block, return_inverse=True)
    blocks, share = int(number.max()) + 1, float(y.mean())
    if blocks == 1 or share in (0.0, 1.0):
        return 1.0
    rest = np.bincount(number, weights=y - share)
    return max(1.0, float(blocks / (blocks - 1) * np.sum(rest**2) / (len(y) * share * (1 - share))))


def _error(p: FloatArray, y: NDArray[Any], number: NDArray[np.intp]) -> float:
    """Return Σ over bins of |Σ (p − y)|, over the number of candidates; `number` is each candidate's bin."""
    return float(np.abs(np.bincount(number, weights=p - y)).sum()) / len(p)


def _debiased(p: FloatArray, y: FloatArray, parts: list[NDArray[np.intp]]) -> float:
    total = 0.0
    for part in parts:
        if len(part) > 1:
            share = float(y[part].mean())
            total += len(part) * ((float(p[part].mean()) - share) ** 2 - share * (1 - share) / (len(part) - 1))
    return float(np.sqrt(max(0.0, total / len(p))))
