"""What each candidate counts as, at every threshold at once.

`label` says once for each candidate whether it is a hit, and that answer holds at each threshold that lets the
candidate in.

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

from .match import BoolArray, Edges, FloatArray, IntArray, assign, column, edges_of


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
    edges, spots = edges_of(truth_xy, truth_radius_px, spots_xy)
    unseen = column("ignored", ignored, len(truth_xy)).astype(bool)
    counted = edges.take(~unseen[edges.truth])
    order = _descending(column("score", score, len(spots)).astype(np.float64), counted)
    hit = _augment(counted, order, truths=len(unseen), spots=len(spots))
    near_unseen = np.zeros(len(spots), dtype=bool)
    near_unseen[edges.spot[unseen[edges.truth]]] = True
    pairs = assign(counted.take(hit[counted.spot]), len(spots))
    return Labels(hit=hit, ignored=near_unseen & ~hit, truth=pairs.truth_of_spot)


def _descending(score: FloatArray, edges: Edges) -> IntArray:
    """Return the spots that have a pair at all, highest score first, of equal scores the nearest first."""
    nearest = np.full(len(score), np.inf)
    np.minimum.at(nearest, edges.spot, edges.cost)
    order = np.lexsort((nearest, -score))
    return np.asarray(order[np.isfinite(nearest[order])], dtype=np.intp)


def _augment(edges: Edges, order: IntArray, *, truths: int, spots: int) -> BoolArray:
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
