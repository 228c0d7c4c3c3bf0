"""What was told of each grain's fate, beside what became of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ..field.survey.compare import Change, Fate

STILL_UM = 30.0
"""A grain that was shifted by less has stayed: nobody could tell, nor would it matter."""

UNSEEN, PARTED, NOTHING = "unseen", "parted", "nothing"
"""Told of a grain that no survey that could have named it did; that the two surveys named without knowing it to be one;
and what really is there where a change tells of no grain at all."""

Index = int | None


@dataclass(frozen=True, slots=True)
class Seen:
    """A true grain and which line of each survey named it.

    Attributes
    ----------
    size_um
        Its diameter.
    before_mm, after_mm
        Its place on the filter, None where it lay in no frame.
    before, after
        Number of the line that is it, None where none is.
    """

    size_um: float
    before_mm: tuple[float, float] | None
    after_mm: tuple[float, float] | None
    before: Index = None
    after: Index = None

    @property
    def fate(self) -> Fate:
        """What became of it."""
        if self.after_mm is None:
            return Fate.WENT
        if self.before_mm is None:
            return Fate.NEW
        far = max(abs(one - other) for one, other in zip(self.before_mm, self.after_mm, strict=True))
        return Fate.STAYED if 1000 * far < STILL_UM else Fate.MOVED


@dataclass(frozen=True, slots=True)
class Told:
    """One row of the confusion table: a true grain, or one that was named where there is none.

    Attributes
    ----------
    fate
        What became of it, `NOTHING` where there is no grain.
    told
        A fate, `UNSEEN` or `PARTED`.
    size_um
        Of the true grain, or of the one that was named.
    """

    fate: str
    told: str
    size_um: float


def told_of(grains: Sequence[Seen], changes: Sequence[Change], *, known: tuple[set[int], set[int]]) -> list[Told]:
    """Return what was told of each true grain, then the changes that tell of nothing that is there.

    Parameters
    ----------
    changes
        Of a comparison.
    known
        Numbers of the lines of both surveys that are something true, grain or not.
    """
    before = {change.before.number: change for change in changes if change.before}
    after = {change.after.number: change for change in changes if change.after}
    rows = [Told(grain.fate, _told(grain, before, after), grain.size_um) for grain in grains]
    rows += [Told(NOTHING, change.fate, change.line.diameter_um) for change in changes if _is_false(change, known)]
    return rows


def _told(grain: Seen, before: Mapping[int, Change], after: Mapping[int, Change]) -> str:
    first = before[grain.before] if grain.before is not None else None
    last = after[grain.after] if grain.after is not None else None
    if first is None or last is None:
        one = first or last
        return UNSEEN if one is None else str(one.fate)
    return str(first.fate) if first is last else PARTED


def _is_false(change: Change, known: tuple[set[int], set[int]]) -> bool:
    lines = (change.before, change.after)
    return all(line is None or line.number not in true for line, true in zip(lines, known, strict=True))
