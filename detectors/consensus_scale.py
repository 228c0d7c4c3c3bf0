"""By how much a photograph's shadows lie further out than another's: lenses differ in exit pupil.

A shadow falls at 1/(1 − d/L) times its grain's place on the filter. L is in no file, but where the shadows of one
photograph are known, those of the next one tell the ratio of their magnifications.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .consensus_ledger import Ledger
from .contract import FloatArray
from .peaks import local_maxima, refine

Array = NDArray[np.float64]

MOST = 0.025
"""Greatest difference of magnification looked for: d = 1 mm with exit pupils 35 mm and 300 mm away."""

IMPOSSIBLE = 1 + MOST * np.linspace(2, 4, 24)
"""Ratios that no lens has: what agrees there agrees by chance. Above one, so that all places stay in the frame."""

SURE = 6.0
"""The best ratio counts if its agreement stands out by so many standard deviations of that by chance."""

LEAST_EVIDENCE = 3.0
"""Maxima of a photograph's evidence under this are not compared."""

MOST_PLACES = 2000
"""The strongest places of a photograph are compared; more than any sensor has grains that show."""

RADIUS_PX = 3
"""Maxima stand further apart than this, in steps of the grid on which evidence is added up."""

BLUR_PX = 1.0
"""Standard deviation with which two maxima of one grain agree in place, in steps of that grid."""

CAP = 4.0
"""Evidence above this counts as this, so that no plain grain can decide alone."""

LEAST_AGREEMENT = 5 * CAP**2
"""Agreement that has to stand out at least: five plain grains."""

LEAST_GAIN = 2 * CAP**2
"""Agreement that a new ratio has to gain on the one before: two plain grains."""


def magnification(evidence: FloatArray, ledger: Ledger, *, before: float) -> float:
    """Return a photograph's magnification relative to the ledger's.

    Parameters
    ----------
    evidence
        The photograph's own, the largest over sizes of grain, (h, w).
    before
        The answer where nothing stands out, and where what stands out is next to it.
    """
    if ledger.frames == 0:
        return before
    own, weight = _places(evidence)
    known, known_weight = _places(ledger.evidence())
    if len(own) == 0 or len(known) == 0:
        return before
    tree, ratios = cKDTree(known), _ratios(ledger.shape)
    agreement = _agreement(own, weight, ratios, tree=tree, known_weight=known_weight)
    chance = _agreement(own, weight, IMPOSSIBLE, tree=tree, known_weight=known_weight)
    best = int(np.argmax(agreement))
    stay = int(np.argmin(np.abs(ratios - before)))
    usual, spread = float(np.mean(chance)), float(np.std(chance))
    # Neighbouring ratios share pairs, so their spread alone tells too little of what chance can do: twice its mean.
    stands_out = agreement[best] > 2 * usual + max(SURE * spread, LEAST_AGREEMENT)
    better = abs(best - stay) > 1 and agreement[best] - agreement[stay] > LEAST_GAIN
    return _vertex(ratios, agreement, best) if stands_out and better else before


def _agreement(own: Array, weight: Array, ratios: Array, *, tree: cKDTree, known_weight: Array) -> Array:
    """Return for each ratio how much places agree with the nearest known ones."""
    agreement = np.zeros(len(ratios))
    for number, ratio in enumerate(ratios):
        distance, nearest = tree.query(own / ratio)
        agreement[number] = np.sum(weight * known_weight[nearest] * np.exp(-0.5 * (distance / BLUR_PX) ** 2))
    return agreement


def _ratios(shape: tuple[int, int]) -> Array:
    """Return ratios about 1 so spaced that a corner moves by one pixel from each to the next."""
    corner = float(np.hypot(*shape)) / 2
    count = max(1, round(MOST * corner))
    return 1 + MOST * np.arange(-count, count + 1) / count


def _places(evidence: FloatArray) -> tuple[Array, Array]:
    """Return the strongest maxima of a map, (m, 2) from its middle, and their evidence, capped."""
    rows, columns = local_maxima(evidence, radius=RADIUS_PX, floor=LEAST_EVIDENCE)
    strongest = np.argsort(-evidence[rows, columns], kind="stable")[:MOST_PLACES]
    rows, columns = rows[strongest], columns[strongest]
    y, x, height = refine(evidence, rows, columns)
    middle = (np.array(evidence.shape) - 1) / 2
    return np.column_stack([y, x]) - middle, np.minimum(height, CAP).astype(np.float64)


def _vertex(ratios: Array, agreement: Array, best: int) -> float:
    """Return the top of the parabola through the best ratio and its neighbours."""
    if not 0 < best < len(ratios) - 1:
        return float(ratios[best])
    before, at, after = agreement[best - 1 : best + 2]
    offset = 0.5 * (before - after) / (before - 2 * at + after) if before + after < 2 * at else 0.0
    return float(ratios[best] + offset * (ratios[1] - ratios[0]))
