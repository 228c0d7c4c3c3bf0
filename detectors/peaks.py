"""From a map of scores to scored places."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..generators.cv import cv2
from .contract import FloatArray, Spots

Index = NDArray[np.intp]

PER_MEGAPIXEL = 400
"""Candidates kept a megapixel of the photograph: ten to a hundred times what a dirty sensor shows."""

AT_LEAST = 50
"""Candidates kept in any frame, however small."""


def most_candidates(shape: tuple[int, int]) -> int:
    """Return how many candidates a method reports at most for a frame of this height and width."""
    return max(AT_LEAST, math.ceil(PER_MEGAPIXEL * shape[0] * shape[1] / 1e6))


def local_maxima(score: FloatArray, *, radius: int, floor: float) -> tuple[Index, Index]:
    """Return rows and columns of the places above `floor` that nothing within `radius` (a square) exceeds.

    A plateau counts once: of equal neighbours the first in reading order stays. NaN is nowhere a maximum.
    """
    whole = math.isfinite(score.max(initial=floor))  # of infinities -∞ alone are left
    clean = score if whole else np.where(np.isfinite(score), score, -np.inf)
    clean = np.asarray(clean, dtype=np.float32)
    kernel = np.ones((2 * radius + 1, 2 * radius + 1), np.uint8)
    highest = cv2.dilate(clean, kernel, borderType=cv2.BORDER_REPLICATE)
    found = clean == highest
    found &= clean > floor
    rows, columns = np.divmod(np.flatnonzero(found), max(1, score.shape[1]))
    first = _first_of_ties(rows, columns, clean[rows, columns], radius=radius)
    return rows[first], columns[first]


def _first_of_ties(rows: Index, columns: Index, height: FloatArray, *, radius: int) -> NDArray[np.bool_]:
    keep = np.ones(len(rows), dtype=bool)
    # Maxima this close to each other can only be equal, else one would have exceeded the other.
    _, kind, count = np.unique(height, return_inverse=True, return_counts=True)
    equal = np.flatnonzero(count[kind] > 1)
    if len(equal):
        places = np.column_stack([rows[equal], columns[equal]])
        pairs = cKDTree(places).query_pairs(radius, p=np.inf, output_type="ndarray")
        keep[equal[pairs.max(axis=1)]] = False
    return keep


def refine(score: FloatArray, rows: Index, columns: Index) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (y, x, height) of maxima from a parabola through three samples along each axis.

    Moves no place by more than half a sample; on the border it moves none.
    """
    middle = score[rows, columns]
    above, below = np.maximum(rows - 1, 0), np.minimum(rows + 1, score.shape[0] - 1)
    left, right = np.maximum(columns - 1, 0), np.minimum(columns + 1, score.shape[1] - 1)
    y, rise_y = vertex(score[above, columns], middle, score[below, columns])
    x, rise_x = vertex(score[rows, left], middle, score[rows, right])
    return rows + y, columns + x, middle + rise_y + rise_x


def vertex(before: FloatArray, at: FloatArray, after: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return offset and extra height of the parabola through samples at −1, 0 and 1."""
    slope = 0.5 * (after - before)
    curvature = 2.0 * at - before - after
    offset = np.divide(slope, curvature, out=np.zeros_like(slope), where=curvature > np.abs(slope))
    offset = np.clip(offset, -0.5, 0.5)
    return offset, 0.5 * slope * offset


def without_doubles(spots: Spots) -> Spots:
    """Return the spots that have no stronger one within half the wider of the two diameters."""
    order = spots.strongest(len(spots))
    if len(order) < 2:
        return order
    reach = float(order.diameter_px.max()) / 2
    places = np.column_stack([order.x, order.y])
    pairs = cKDTree(places).query_pairs(reach, output_type="ndarray")
    distance = np.hypot(*(places[pairs[:, 0]] - places[pairs[:, 1]]).T)
    near = distance < np.max(order.diameter_px[pairs], axis=1) / 2
    keep = np.ones(len(order), dtype=bool)
    keep[pairs[near].max(axis=1)] = False  # sorted by score: of a pair the later one is the weaker
    return order.take(keep)


def joined(parts: list[Spots]) -> Spots:
    """Return all spots of several lists in one."""
    if not parts:
        return Spots()
    return Spots(
        x=np.concatenate([part.x for part in parts]),
        y=np.concatenate([part.y for part in parts]),
        diameter_px=np.concatenate([part.diameter_px for part in parts]),
        score=np.concatenate([part.score for part in parts]),
    )
