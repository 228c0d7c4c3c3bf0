"""Grains followed through many surveys: which came when, and which are still where they were."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from .compare import Array, agreeing, agreement, lens_factor, moved_pairs, places_of, sizes_of
from .table import Line


@dataclass(slots=True)
class Mark:
    """A grain that keeps its place.

    Attributes
    ----------
    number
        In order of appearance, from 1; in one survey the largest first.
    seen
        The grain as each survey has it, by the survey's index.
    moved
        Whether it seems to be one that lay elsewhere in the survey before.
    """

    number: int
    seen: dict[int, Line] = field(default_factory=dict)
    moved: bool = False

    @property
    def first(self) -> int:
        """Index of the first survey that shows it."""
        return min(self.seen)

    @property
    def last(self) -> int:
        """Index of the last one; between the two it was there, even where a survey overlooked it."""
        return max(self.seen)

    @property
    def line(self) -> Line:
        """It as it was seen last."""
        return self.seen[self.last]

    @property
    def diameter_um(self) -> float:
        """Median over the surveys."""
        return float(np.median([line.diameter_um for line in self.seen.values()]))

    def is_there(self, survey: int) -> bool:
        """Tell whether it lay there at a survey."""
        return self.first <= survey <= self.last


@dataclass(frozen=True, slots=True)
class Followed:
    """All marks of a series of surveys.

    Attributes
    ----------
    marks
        In order of appearance.
    factors
        By how much further out each survey's lens puts shadows than the first one's.
    """

    marks: tuple[Mark, ...]
    factors: tuple[float, ...]


def follow(tables: Sequence[Sequence[Line]], focals_mm: Sequence[float | None]) -> Followed:
    """Return the grains of surveys of one sensor, in order of time, followed from each to the next.

    A mark that a survey overlooked and a later one shows at its place in its size is one mark.

    Parameters
    ----------
    focals_mm
        Of each survey's lens, where known. Where too few grains are left to tell how far out a lens puts them, what
        an earlier survey by that focal length told is taken.
    """
    marks: list[Mark] = []
    reference: list[Array] = []
    factors: list[float] = []
    for index, table in enumerate(tables):
        new, sizes = places_of(table), sizes_of(table)
        old = np.array(reference).reshape(-1, 2)
        known = sizes_of([mark.line for mark in marks])
        factor = _factor(old, new, (known, sizes), usual=_usual(focals_mm[:index], factors, focals_mm[index]))
        pairs = agreeing(old * factor, new, (known, sizes))
        for i, j in pairs:
            marks[i].seen[index] = table[j]
        taken = {j for _, j in pairs}
        come = [line for j, line in enumerate(table) if j not in taken]
        left = [mark.line for mark in marks if mark.last == index - 1]
        moved = {id(line) for _, line in moved_pairs(left, come)}
        for line in come:
            marks.append(Mark(len(marks) + 1, {index: line}, id(line) in moved))
            reference.append(places_of([line])[0] / factor)
        factors.append(factor)
    return Followed(tuple(marks), tuple(factors))


def _factor(old: Array, new: Array, sizes: tuple[Array, Array], *, usual: float) -> float:
    """Return the factor that the grains tell, or else the usual one where they agree better with it than with 1."""
    told = lens_factor(old, new, sizes)
    if told != 1 or usual == 1:
        return told
    agreed = [float(agreement(old * factor, new, sizes).sum()) for factor in (1.0, usual)]
    return usual if agreed[1] > agreed[0] else 1.0


def _usual(focals: Sequence[float | None], factors: Sequence[float], focal: float | None) -> float:
    """Return the last factor of a focal length, 1 where there is none."""
    same = [factor for one, factor in zip(focals, factors, strict=True) if focal is not None and one == focal]
    return same[-1] if same else 1.0
