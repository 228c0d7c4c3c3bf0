"""Places that several pictures share, and how many of them chance would make."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree
from scipy.stats import poisson

FloatArray = NDArray[np.float64]
Candidates = NDArray[np.float64]
"""One picture's candidates, strongest first: columns x, y, diameter in pixels of the sensor."""

DEPTHS = (20, 80, 320)
"""How many of each picture's strongest candidates are compared. Few find what stands out in two or three
pictures, many what is faint in a dozen; the chance level is multiplied by the number of depths tried."""

WINDOWS = (0.06, 0.15)
"""Sides of the squares in which the local density of candidates is counted, as shares of the shorter side.

A horizon or a thicket gathers candidates at one height of many pictures; the density follows that as far as the
smaller square resolves it. The denser of the two counts."""


@dataclass(frozen=True, slots=True)
class Shared:
    """A place where several pictures have a candidate.

    Attributes
    ----------
    x, y, diameter_px
        Mean place and median width of its candidates, in pixels of the sensor.
    members
        Indices of the pictures that have one, sorted.
    expected
        Upper bound of the number of places with so many pictures that chance would make.
    """

    x: float
    y: float
    diameter_px: float
    members: tuple[int, ...]
    expected: float


def shared_places(
    pictures: Sequence[Candidates], *, size: tuple[int, int], reach_px: float, most_expected: float
) -> list[Shared]:
    """Return the places that more pictures share than chance explains, the surest first.

    If the candidates of different pictures fell independently, a candidate would have, within `reach_px`,
    company from a number of other pictures that is a sum of independent yes-or-no draws of mean
    μ = ρ π reach² or less, ρ being the local density of the other pictures' candidates together. Above its
    mean the tail of such a sum is at most that of a Poisson variable of the same mean (Hoeffding, Ann. Math.
    Statist. 27 (1956) 713, from memory). Times the number of candidates, and of depths tried, that bounds the
    expected number of places with so much company, whatever the dependence within a picture. ρ is estimated
    from the pictures themselves, so the bound is as good as that estimate.

    Parameters
    ----------
    size
        Width and height of the sensor in pixels.
    reach_px
        How far apart two candidates may lie and still be one place.
    most_expected
        Places are kept if chance is expected to make at most so many.
    """
    found = [place for depth in DEPTHS for place in _at_depth(pictures, depth, size=size, reach_px=reach_px)]
    found = [place for place in found if place.expected <= most_expected]
    found.sort(key=lambda place: (place.expected, -len(place.members), place.y, place.x))
    kept: list[Shared] = []
    for place in found:
        apart = max(2 * reach_px, place.diameter_px)  # the rings of one shadow are shared like the shadow
        if all(math.hypot(place.x - other.x, place.y - other.y) > apart for other in kept):
            kept.append(place)
    return kept


def _at_depth(pictures: Sequence[Candidates], depth: int, *, size: tuple[int, int], reach_px: float) -> list[Shared]:
    """Return the places about each candidate that has company, at one depth."""
    used = [np.asarray(picture[:depth], dtype=np.float64) for picture in pictures]
    total = sum(map(len, used))
    places = []
    for own, picture in enumerate(used):
        company = [_near(other, picture, reach_px) for other in used]
        others = np.concatenate([other for q, other in enumerate(used) if q != own])
        mean = _company_by_chance(others, picture, size=size, reach_px=reach_px)
        for index in range(len(picture)):
            members = [q for q, near in enumerate(company) if near[index]]
            if len(members) > 1:
                expected = len(DEPTHS) * total * float(poisson.sf(len(members) - 2, mean[index]))
                rows = [used[q][company[q][index][0]] for q in members]
                places.append(_place(rows, members, expected))
    return places


def _near(other: Candidates, picture: Candidates, reach_px: float) -> list[list[int]]:
    """Return, for each candidate of a picture, the indices of another's within reach, strongest first."""
    if not len(other):
        return [[] for _ in picture]
    near = KDTree(other[:, :2]).query_ball_point(picture[:, :2], reach_px, return_sorted=True)
    return [list(indices) for indices in np.asarray(near, dtype=object)]


def _company_by_chance(
    others: Candidates, picture: Candidates, *, size: tuple[int, int], reach_px: float
) -> FloatArray:
    """Return the mean number of the others' candidates within reach of each place, from their local density.

    Whether dust is there is the question, so what lies within reach is left out of the count. In the larger
    square it counts as one, since an empty neighbourhood does not make company impossible.
    """
    if not len(others) or not len(picture):
        return np.zeros(len(picture))
    tree, places = KDTree(others[:, :2]), picture[:, :2]
    here = tree.query_ball_point(places, reach_px, return_length=True)
    density = np.zeros(len(picture))
    for window in WINDOWS:
        half = max(window / 2 * min(size), 3 * reach_px)
        low, high = np.maximum(places - half, -0.5), np.minimum(places + half, np.array(size) - 0.5)
        around = tree.query_ball_point(places, half, p=np.inf, return_length=True)
        count = np.asarray(around) - np.asarray(here) + (1 if window == max(WINDOWS) else 0)
        density = np.maximum(density, count / np.prod(high - low, axis=1))
    return np.asarray(density * math.pi * reach_px**2)


def _place(rows: list[FloatArray], members: list[int], expected: float) -> Shared:
    table = np.array(rows)
    return Shared(
        x=float(table[:, 0].mean()),
        y=float(table[:, 1].mean()),
        diameter_px=float(np.median(table[:, 2])),
        members=tuple(members),
        expected=expected,
    )
