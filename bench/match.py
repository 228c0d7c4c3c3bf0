"""One-to-one matching of candidates to true spots: two finished sets of points, paired as well as they can be.

What each candidate counts as at every threshold is another question, see `label`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

LEAST_GATE_PX = 3.0
"""Smallest gate: a hand or a detector places the centre of a faint, soft spot no better than this."""

SEARCH_SLACK = 1.0 + 1e-9
"""The tree rounds differently from `hypot`; it searches this much wider, and `hypot` then decides."""

NO_TRUTH = -1
"""Stands in `truth` columns where a candidate is paired with nothing."""


@dataclass(frozen=True, slots=True)
class Matching:
    """Which true spot each candidate is paired with.

    Attributes
    ----------
    truth_of_spot
        Integers (m,): index of the true spot, −1 where there is none. No true spot occurs twice.
    distance_px
        (m,): distance between the two in pixels, nan where there is none.
    """

    truth_of_spot: IntArray
    distance_px: FloatArray


@dataclass(frozen=True, slots=True)
class Edges:
    """Pairs within the gate: indices of truth and spot, and distance in pixels and in gates."""

    truth: IntArray
    spot: IntArray
    distance_px: FloatArray
    cost: FloatArray

    def take(self, index: NDArray[Any]) -> Edges:
        """Return some of them."""
        return Edges(self.truth[index], self.spot[index], self.distance_px[index], self.cost[index])


def gate_px(truth_radius_px: NDArray[Any]) -> FloatArray:
    """Return how far from each true centre a candidate may lie: max(3 px, radius).

    The centre-inside-radius rule of LUNA16 (Setio et al., Medical Image Analysis 42 (2017) 1) with a floor.
    """
    radius = np.asarray(truth_radius_px, dtype=np.float64)
    if np.any(~np.isfinite(radius)) or np.any(radius < 0):
        raise ValueError("truth_radius_px must be finite and not negative; mend the truth it came from")
    return np.maximum(LEAST_GATE_PX, radius)


def match(truth_xy: NDArray[Any], truth_radius_px: NDArray[Any], *, spots_xy: NDArray[Any]) -> Matching:
    """Pair as many candidates with true spots as the gates allow, and of those ways the nearest.

    Minimises the sum of distance/gate over pairs with distance ≤ gate (inclusive), where leaving a pair out
    costs min(n, m) + 1, more than all real pairs together. The answer is that of one dense assignment; it
    is found on each connected group of overlapping gates by itself.

    Parameters
    ----------
    truth_xy
        (n, 2), centres in pixels.
    truth_radius_px
        (n,), radii in pixels.
    spots_xy
        (m, 2), candidates in pixels.

    Raises
    ------
    ValueError
        If a shape is wrong or a number is not finite.
    """
    edges, spots = edges_of(truth_xy, truth_radius_px, spots_xy)
    return assign(edges, len(spots))


def _points(name: str, value: NDArray[Any]) -> FloatArray:
    points = np.asarray(value, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"{name} must have shape (count, 2), not {points.shape}")
    if not np.all(np.isfinite(points)):
        raise ValueError(f"{name} must be finite; drop the candidates without a position")
    return points


def column(name: str, value: NDArray[Any], length: int) -> NDArray[Any]:
    """Return a column as an array, checked; `name` stands in the message."""
    column = np.asarray(value)
    if column.shape != (length,):
        raise ValueError(f"{name} must have shape ({length},), not {column.shape}")
    if not np.all(np.isfinite(column)):
        raise ValueError(f"{name} must be finite; a candidate without a score has no place in the order")
    return column


def edges_of(truth_xy: NDArray[Any], truth_radius_px: NDArray[Any], spots_xy: NDArray[Any]) -> tuple[Edges, FloatArray]:
    """Return the pairs within the gates, and the spots as an array, all checked."""
    truths, spots = _points("truth_xy", truth_xy), _points("spots_xy", spots_xy)
    gate = gate_px(column("truth_radius_px", truth_radius_px, len(truths)))
    truth, spot = _neighbours(truths, gate * SEARCH_SLACK, spots)
    offset = spots[spot] - truths[truth]
    distance = np.hypot(offset[:, 0], offset[:, 1])
    edges = Edges(truth, spot, distance, distance / gate[truth])
    return edges.take(distance <= gate[truth]), spots


def _neighbours(truths: FloatArray, reach: FloatArray, spots: FloatArray) -> tuple[IntArray, IntArray]:
    if len(truths) == 0 or len(spots) == 0:
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    near = KDTree(spots).query_ball_point(truths, reach, return_sorted=True)
    counts = np.array([len(one) for one in near])
    truth = np.repeat(np.arange(len(truths), dtype=np.intp), counts)
    return truth, np.concatenate([np.asarray(one, dtype=np.intp) for one in near])


def assign(edges: Edges, spots: int) -> Matching:
    """Return the best assignment, group by group."""
    truth_of_spot = np.full(spots, NO_TRUTH, dtype=np.intp)
    distance = np.full(spots, np.nan)
    alone = (np.bincount(edges.truth)[edges.truth] == 1) & (np.bincount(edges.spot)[edges.spot] == 1)
    groups = _groups(edges.take(~alone))
    for pairs in (edges.take(alone), *(group.take(_assign_group(group)) for group in groups)):
        truth_of_spot[pairs.spot] = pairs.truth
        distance[pairs.spot] = pairs.distance_px
    return Matching(truth_of_spot, distance)


def _groups(edges: Edges) -> list[Edges]:
    """Split the pairs into sets that share neither truth nor spot."""
    if len(edges.truth) == 0:
        return []
    first_spot = int(edges.truth.max()) + 1
    size = first_spot + int(edges.spot.max()) + 1
    links = coo_array((np.ones(len(edges.truth)), (edges.truth, edges.spot + first_spot)), shape=(size, size))
    group = connected_components(links, directed=False)[1][edges.truth]
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.diff(group[order])) + 1
    return [edges.take(index) for index in np.split(order, starts)]


def _assign_group(edges: Edges) -> IntArray:
    """Return which of the pairs of one group make its best assignment."""
    truths, row = np.unique(edges.truth, return_inverse=True)
    spots, column = np.unique(edges.spot, return_inverse=True)
    cost = np.full((len(truths), len(spots)), min(len(truths), len(spots)) + 1.0)
    cost[row, column] = edges.cost
    index = np.full(cost.shape, -1, dtype=np.intp)
    index[row, column] = np.arange(len(row))
    chosen = index[linear_sum_assignment(cost)]
    return np.asarray(chosen[chosen >= 0], dtype=np.intp)
