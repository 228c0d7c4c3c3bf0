"""One-to-one matching of candidates to true spots, and what each candidate counts as.

Two questions, two answers. `match` pairs two finished sets of points as well as they can be paired.
`label` serves every threshold at once: it says once for each candidate whether it is a hit, and that
answer holds at each threshold that lets the candidate in.

Why `label` can promise that. Call a set of candidates matchable when all of it can be paired, one to
one, with true spots inside their gates. The matchable sets are the independent sets of a transversal
matroid (Edmonds and Fulkerson, J. Res. NBS 69B (1965) 147, from memory), so for candidates taken in
descending score the greedy rule "keep a candidate if what is kept stays matchable" ends, after every
prefix, with a largest matchable subset of that prefix. A threshold that no tied scores straddle cuts off
exactly such a prefix. Hence the number of hits at a threshold is the size of a maximum matching of the
candidates above it, hits at a high threshold stay hits at a low one, and a spurious candidate that enters
later never turns an earlier hit into a false alarm. Whether a candidate can be kept is whether an
augmenting path starts at it (Berge, PNAS 43 (1957) 842, from memory).

The two usual alternatives fail one half each: taking the nearest free spot greedily is nested but not
optimal, and a fresh assignment at each threshold is optimal but may exchange its hits.
"""

from __future__ import annotations

from dataclasses import dataclass, field
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
class Labels:
    """What each candidate counts as, at every threshold that lets it in.

    A candidate that is neither a hit nor ignored is a false alarm; so is the second on one spot, since
    each costs a retouch.

    Attributes
    ----------
    hit
        Booleans (m,).
    ignored
        Booleans (m,): not a hit, and inside the gate of a true spot that nobody could see. Never both.
    truth
        Integers (m,): index of the counted true spot of each hit, −1 elsewhere. No index occurs twice.
        Its pairs are the nearest that leave the hits what they are.
    """

    hit: BoolArray
    ignored: BoolArray
    truth: IntArray

    @property
    def false_alarm(self) -> BoolArray:
        """Booleans (m,): neither hit nor ignored."""
        return ~(self.hit | self.ignored)


@dataclass(frozen=True, slots=True)
class _Edges:
    """Pairs within the gate: indices of truth and spot, and distance in pixels and in gates."""

    truth: IntArray
    spot: IntArray
    distance_px: FloatArray
    cost: FloatArray

    def take(self, index: NDArray[Any]) -> _Edges:
        return _Edges(self.truth[index], self.spot[index], self.distance_px[index], self.cost[index])


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
    edges, spots = _edges(truth_xy, truth_radius_px, spots_xy)
    return _assign(edges, len(spots))


def label(
    truth_xy: NDArray[Any],
    truth_radius_px: NDArray[Any],
    *,
    ignored: NDArray[np.bool_],
    spots_xy: NDArray[Any],
    score: NDArray[Any],
) -> Labels:
    """Say of each candidate whether it is a hit, ignored or a false alarm, for all thresholds at once.

    See the head of this module for the rule and its proof. Of equal scores the candidate nearer to a true
    centre goes first; this settles which of them is a hit, never how many are.

    Parameters
    ----------
    truth_xy, truth_radius_px
        (n, 2) and (n,), centres and radii in pixels.
    ignored
        Booleans (n,): true spots that nobody could see. A miss there is no miss, and any number of
        candidates there are no false alarms, as for 'difficult' objects in published benchmarks
        (Everingham et al., Int. J. Computer Vision 88 (2010) 303).
    spots_xy
        (m, 2), candidates in pixels.
    score
        (m,), larger is surer.

    Raises
    ------
    ValueError
        If a shape is wrong or a number is not finite.
    """
    edges, spots = _edges(truth_xy, truth_radius_px, spots_xy)
    unseen = _column("ignored", ignored, len(truth_xy)).astype(bool)
    counted = edges.take(~unseen[edges.truth])
    order = _descending(_column("score", score, len(spots)).astype(np.float64), counted)
    hit = _augment(counted, order, truths=len(unseen), spots=len(spots))
    near_unseen = np.zeros(len(spots), dtype=bool)
    near_unseen[edges.spot[unseen[edges.truth]]] = True
    pairs = _assign(counted.take(hit[counted.spot]), len(spots))
    return Labels(hit=hit, ignored=near_unseen & ~hit, truth=pairs.truth_of_spot)


def _points(name: str, value: NDArray[Any]) -> FloatArray:
    points = np.asarray(value, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"{name} must have shape (count, 2), not {points.shape}")
    if not np.all(np.isfinite(points)):
        raise ValueError(f"{name} must be finite; drop the candidates without a position")
    return points


def _column(name: str, value: NDArray[Any], length: int) -> NDArray[Any]:
    column = np.asarray(value)
    if column.shape != (length,):
        raise ValueError(f"{name} must have shape ({length},), not {column.shape}")
    if not np.all(np.isfinite(column)):
        raise ValueError(f"{name} must be finite; a candidate without a score has no place in the order")
    return column


def _edges(truth_xy: NDArray[Any], truth_radius_px: NDArray[Any], spots_xy: NDArray[Any]) -> tuple[_Edges, FloatArray]:
    truths, spots = _points("truth_xy", truth_xy), _points("spots_xy", spots_xy)
    gate = gate_px(_column("truth_radius_px", truth_radius_px, len(truths)))
    truth, spot = _neighbours(truths, gate * SEARCH_SLACK, spots)
    offset = spots[spot] - truths[truth]
    distance = np.hypot(offset[:, 0], offset[:, 1])
    edges = _Edges(truth, spot, distance, distance / gate[truth])
    return edges.take(distance <= gate[truth]), spots


def _neighbours(truths: FloatArray, reach: FloatArray, spots: FloatArray) -> tuple[IntArray, IntArray]:
    if len(truths) == 0 or len(spots) == 0:
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    near = KDTree(spots).query_ball_point(truths, reach, return_sorted=True)
    counts = np.array([len(one) for one in near])
    truth = np.repeat(np.arange(len(truths), dtype=np.intp), counts)
    return truth, np.concatenate([np.asarray(one, dtype=np.intp) for one in near])


def _descending(score: FloatArray, edges: _Edges) -> IntArray:
    """Return the spots that have a pair at all, highest score first, of equal scores the nearest first."""
    nearest = np.full(len(score), np.inf)
    np.minimum.at(nearest, edges.spot, edges.cost)
    order = np.lexsort((nearest, -score))
    return np.asarray(order[np.isfinite(nearest[order])], dtype=np.intp)


def _augment(edges: _Edges, order: IntArray, *, truths: int, spots: int) -> BoolArray:
    """Return which spots, taken in `order`, enlarge the matching."""
    by_cost = edges.take(np.argsort(edges.cost, kind="stable"))
    near: dict[int, list[int]] = {}
    for spot, truth in zip(by_cost.spot.tolist(), by_cost.truth.tolist(), strict=True):
        near.setdefault(spot, []).append(truth)
    pairing = _Pairing(near, [False] * truths)
    hit = np.zeros(spots, dtype=bool)
    for spot in order.tolist():
        hit[spot] = pairing.extend(spot)
    return hit


@dataclass(frozen=True, slots=True)
class _Pairing:
    """A matching that grows by augmenting paths; the truth lists run nearest first."""

    near: dict[int, list[int]]
    closed: list[bool]
    owner: dict[int, int] = field(default_factory=dict)
    owned: dict[int, int] = field(default_factory=dict)

    def extend(self, spot: int) -> bool:
        """Look breadth-first for a free truth that `spot` can reach, and say whether there was one."""
        reached_by: dict[int, int] = {}
        queue = [spot]
        for taker in queue:
            for truth in self.near.get(taker, ()):
                if self.closed[truth] or truth in reached_by:
                    continue
                reached_by[truth] = taker
                if truth not in self.owner:
                    self._shift(truth, reached_by)
                    return True
                queue.append(self.owner[truth])
        # All that a failed search reached is owned and leads nowhere else: no later path can run through it.
        for truth in reached_by:
            self.closed[truth] = True
        return False

    def _shift(self, truth: int, reached_by: dict[int, int]) -> None:
        given_up: int | None = truth
        while given_up is not None:
            taker = reached_by[given_up]
            self.owner[given_up] = taker
            previous = self.owned.get(taker)
            self.owned[taker] = given_up
            given_up = previous


def _assign(edges: _Edges, spots: int) -> Matching:
    truth_of_spot = np.full(spots, NO_TRUTH, dtype=np.intp)
    distance = np.full(spots, np.nan)
    alone = (np.bincount(edges.truth)[edges.truth] == 1) & (np.bincount(edges.spot)[edges.spot] == 1)
    groups = _groups(edges.take(~alone))
    for pairs in (edges.take(alone), *(group.take(_assign_group(group)) for group in groups)):
        truth_of_spot[pairs.spot] = pairs.truth
        distance[pairs.spot] = pairs.distance_px
    return Matching(truth_of_spot, distance)


def _groups(edges: _Edges) -> list[_Edges]:
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


def _assign_group(edges: _Edges) -> IntArray:
    """Return which of the pairs of one group make its best assignment."""
    truths, row = np.unique(edges.truth, return_inverse=True)
    spots, column = np.unique(edges.spot, return_inverse=True)
    cost = np.full((len(truths), len(spots)), min(len(truths), len(spots)) + 1.0)
    cost[row, column] = edges.cost
    index = np.full(cost.shape, -1, dtype=np.intp)
    index[row, column] = np.arange(len(row))
    chosen = index[linear_sum_assignment(cost)]
    return np.asarray(chosen[chosen >= 0], dtype=np.intp)
