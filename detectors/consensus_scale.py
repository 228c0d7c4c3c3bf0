"""By how much a photograph's shadows lie further out than another's: lenses differ in exit pupil.

A shadow falls at 1/(1 − d/L) times its grain's place on the filter. L is in no file, but where the shadows of one
photograph are known, those of the next one tell the ratio of their magnifications.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .consensus_ledger import Ledger
from .contract import FloatArray
from .peaks import local_maxima

MOST = 0.025
"""Greatest difference of magnification looked for: d = 1 mm with exit pupils 35 mm and 300 mm away."""

SURE = 6.0
"""The best ratio counts if its agreement stands out by so many standard deviations of that of the others."""

LEAST_EVIDENCE = 2.0
"""Maxima of a photograph's evidence under this are not compared."""

MOST_PLACES = 2000
"""The strongest places of a photograph are compared; more than any sensor has grains that show."""

CAP = 4.0
"""Evidence above this counts as this, so that no plain grain can decide alone."""

LEAST_AGREEMENT = 5 * CAP**2
"""Agreement that has to stand out at least: five plain grains."""


def magnification(evidence: FloatArray, ledger: Ledger, *, before: float) -> float:
    """Return a photograph's magnification relative to the ledger's.

    Parameters
    ----------
    evidence
        The photograph's own, the largest over sizes of grain, (h, w).
    before
        The answer where nothing stands out, and where what stands out is next to it.
    """
    rows, columns = local_maxima(evidence, radius=3, floor=LEAST_EVIDENCE)
    strongest = np.argsort(-evidence[rows, columns], kind="stable")[:MOST_PLACES]
    rows, columns = rows[strongest], columns[strongest]
    if ledger.frames == 0 or len(rows) == 0:
        return before
    weight = np.minimum(evidence[rows, columns], CAP)
    ratios = _ratios(ledger.shape)
    known = np.clip(ledger.evidence(), 0, CAP)
    agreement = np.array([_agreement(known, rows, columns, weight=weight, ratio=ratio) for ratio in ratios])
    best = int(np.argmax(agreement))
    stay = int(np.argmin(np.abs(ratios - before)))
    others = np.delete(agreement, np.arange(max(0, best - 2), min(len(ratios), best + 3)))
    if abs(best - stay) <= 1 or len(others) < 3:
        return before
    gain = agreement[best] - max(float(np.mean(others)), float(agreement[stay]))
    return _vertex(ratios, agreement, best) if gain > max(SURE * float(np.std(others)), LEAST_AGREEMENT) else before


def _ratios(shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return ratios about 1 so spaced that a corner moves by one pixel from each to the next."""
    corner = float(np.hypot(*shape)) / 2
    count = max(1, round(MOST * corner))
    return 1 + MOST * np.arange(-count, count + 1) / count


def _agreement(
    known: FloatArray, rows: NDArray[np.intp], columns: NDArray[np.intp], *, weight: FloatArray, ratio: float
) -> float:
    height, width = known.shape
    y = np.rint((height - 1) / 2 + (rows - (height - 1) / 2) / ratio).astype(np.intp)
    x = np.rint((width - 1) / 2 + (columns - (width - 1) / 2) / ratio).astype(np.intp)
    inside = (y >= 0) & (y < height) & (x >= 0) & (x < width)
    return float(np.sum(known[y[inside], x[inside]] * weight[inside]))


def _vertex(ratios: NDArray[np.float64], agreement: NDArray[np.float64], best: int) -> float:
    """Return the top of the parabola through the best ratio and its neighbours."""
    if not 0 < best < len(ratios) - 1:
        return float(ratios[best])
    before, at, after = agreement[best - 1 : best + 2]
    offset = 0.5 * (before - after) / (before - 2 * at + after) if before + after < 2 * at else 0.0
    return float(ratios[best] + offset * (ratios[1] - ratios[0]))
