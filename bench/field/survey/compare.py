"""Two surveys of one sensor: which grains went, stayed, moved, and which are new."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from .table import Line

Array = NDArray[np.float64]

REACH_UM = 30.0
"""A grain that lies within this of its old place stayed: five pixels of 6 µm, while surveys place to one."""

SIZE_RATIO = 1.35
"""Two grains of one place are one if their diameters differ by less: two surveys agree within a tenth."""

MOST_SHIFT, SHIFTS = 0.03, 121
"""Another lens puts all shadows further out by up to this share of their distance from the middle; factors tried."""

LEAST_MORE = 1.5
"""Another lens is believed if it makes so many more grains agree than the same lens."""

MOVE_MM, MOVE_RATIO = 2.0, 1.08
"""A grain that is gone and one that is new are one that moved if they lie so near each other, are so alike in size,
and no other pair comes into question."""


class Fate(StrEnum):
    """What became of a grain."""

    WENT = "went"
    STAYED = "stayed"
    MOVED = "moved"
    NEW = "new"


@dataclass(frozen=True, slots=True)
class Change:
    """One grain before and after; None where it was not there."""

    fate: Fate
    before: Line | None
    after: Line | None

    @property
    def line(self) -> Line:
        """It as it is now, or as it was."""
        found = self.after or self.before
        assert found is not None
        return found


@dataclass(frozen=True, slots=True)
class Comparison:
    """All grains of two surveys.

    Attributes
    ----------
    changes
        The largest first.
    magnification
        By how much further out the later shadows lie: another lens or focal length, 1 for the same.
    """

    changes: tuple[Change, ...]
    magnification: float

    def of(self, fate: Fate) -> list[Change]:
        """Return the changes of one kind."""
        return [change for change in self.changes if change.fate == fate]


def compare(before: Sequence[Line], after: Sequence[Line]) -> Comparison:
    """Return what became of each grain."""
    old, new = places_of(before), places_of(after)
    sizes = sizes_of(before), sizes_of(after)
    m = lens_factor(old, new, sizes)
    pairs = agreeing(old * m, new, sizes)
    stayed = [Change(Fate.STAYED, before[i], after[j]) for i, j in pairs]
    gone = [i for i in range(len(before)) if i not in {i for i, _ in pairs}]
    come = [j for j in range(len(after)) if j not in {j for _, j in pairs}]
    moved = moved_pairs([before[i] for i in gone], [after[j] for j in come])
    taken = {id(line) for pair in moved for line in pair}
    changes = [
        *stayed,
        *(Change(Fate.MOVED, one, other) for one, other in moved),
        *(Change(Fate.WENT, before[i], None) for i in gone if id(before[i]) not in taken),
        *(Change(Fate.NEW, None, after[j]) for j in come if id(after[j]) not in taken),
    ]
    changes.sort(key=lambda change: -change.line.diameter_um)
    return Comparison(tuple(changes), m)


def places_of(table: Sequence[Line]) -> Array:
    """Return places from the sensor's middle, µm, (n, 2)."""
    return 1000 * np.array([line.place for line in table], dtype=np.float64).reshape(len(table), 2)


def sizes_of(table: Sequence[Line]) -> Array:
    """Return logarithms of diameters, (n,)."""
    return np.log([line.diameter_um for line in table])


def agreement(old: Array, new: Array, sizes: tuple[Array, Array]) -> Array:
    """Return how well each pair agrees, 0…1, (old, new)."""
    far = np.hypot(*(old[:, None] - new[None]).transpose(2, 0, 1)) / REACH_UM
    other = np.abs(sizes[0][:, None] - sizes[1][None]) / math.log(SIZE_RATIO)
    return np.where((far < 1) & (other < 1), (1 - far**2) * (1 - other**2), 0.0)


def lens_factor(old: Array, new: Array, sizes: tuple[Array, Array]) -> float:
    """Return by how much further out the later shadows lie; 1 where the grains don't tell."""
    factors = 1 + MOST_SHIFT * np.linspace(-1, 1, SHIFTS)
    totals = np.array([agreement(old * m, new, sizes).sum() for m in factors])
    if len(old) == 0 or len(new) == 0 or totals.max() < totals[SHIFTS // 2] + LEAST_MORE:
        return 1.0
    best = factors[totals.argmax()]
    pairs = agreeing(old * best, new, sizes)
    one, other = (np.array([places[pair[k]] for pair in pairs]) for k, places in enumerate((old, new)))
    return float(np.sum(one * other) / np.sum(one**2))


def agreeing(old: Array, new: Array, sizes: tuple[Array, Array]) -> list[tuple[int, int]]:
    """Return the one-to-one pairs (old, new) that agree best in all."""
    agreed = agreement(old, new, sizes)
    rows, columns = linear_sum_assignment(-agreed)
    return [(i, j) for i, j in zip(rows.tolist(), columns.tolist(), strict=True) if agreed[i, j] > 0]


def moved_pairs(gone: Sequence[Line], come: Sequence[Line]) -> list[tuple[Line, Line]]:
    """Return pairs of a gone and a new grain that only each other come into question for."""
    fits = [[_may_be_one(one, other) for other in come] for one in gone]
    found = []
    for i, row in enumerate(fits):
        if sum(row) == 1:
            j = row.index(True)
            if sum(each[j] for each in fits) == 1:
                found.append((gone[i], come[j]))
    return found


def _may_be_one(one: Line, other: Line) -> bool:
    far = math.hypot(one.place.right_mm - other.place.right_mm, one.place.up_mm - other.place.up_mm)
    ratio = max(one.diameter_um, other.diameter_um) / min(one.diameter_um, other.diameter_um)
    return far < MOVE_MM and ratio < MOVE_RATIO
