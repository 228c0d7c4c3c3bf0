"""`moteyard survey --history`: how dust grew over many surveys, what cleans took, and what never left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from .growth import Rate, Stay, dispersion_p, is_drop, rate, ratio_p, stay_p
from .marks import Followed, Mark, follow
from .next_step import STUBBORN
from .record import Record
from .table import CLASSES

SECONDS_A_DAY = 86_400.0

SAME_LENS = 0.002
"""Surveys whose lenses put shadows equally far out within this share were taken with one lens, if its focal length is
the same: two surveys by one lens agree within a tenth of it."""

BURSTS = 0.05
"""Counts that one steady rate makes less often than this are called bursts."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A survey beside the one before.

    Attributes
    ----------
    record
        The survey.
    by_size
        Grains of each of `CLASSES`, the counted ones.
    days
        Since the survey before; 0 for the first.
    new, moved, left
        Grains that came since then, that lie elsewhere than then, and that are no longer where they were, among them
        the moved ones.
    clean
        What was done between the two, or "clean" where only the drop tells; "" for no clean.
    other_lens
        Whether it was taken with another lens than the survey before.
    """

    record: Record
    by_size: tuple[int, ...]
    days: float
    new: int
    moved: int
    left: int
    clean: str
    other_lens: bool

    @property
    def count(self) -> int:
        """All counted grains."""
        return sum(self.by_size)


@dataclass(frozen=True, slots=True)
class History:
    """What a series of surveys tells.

    Attributes
    ----------
    limit_um
        Smaller grains are not counted: the coarsest survey would overlook them.
    entries
        A survey each.
    followed
        All grains, the uncounted ones too.
    growth
        New grains a day, over the spans without a clean.
    growth_p
        How often a steady rate would make counts that differ as much between the spans.
    lens_changed, lens_kept
        The same for spans with another lens at their end, and with the same.
    never_left
        Marks that lay there before the first of two or more cleans, and after the last one in their old place and size.
    old, fresh
        What the last clean left of the grains that an earlier clean had left, and of those that had come since.
    """

    limit_um: float
    entries: tuple[Entry, ...]
    followed: Followed
    growth: Rate
    growth_p: float
    lens_changed: Rate
    lens_kept: Rate
    never_left: tuple[Mark, ...]
    old: Stay
    fresh: Stay

    @property
    def counted(self) -> tuple[Mark, ...]:
        """The marks that are counted."""
        return tuple(mark for mark in self.followed.marks if mark.diameter_um >= self.limit_um)

    @property
    def cleans(self) -> tuple[int, ...]:
        """Indexes of the surveys before which there was a clean."""
        return tuple(index for index, entry in enumerate(self.entries) if entry.clean)

    @property
    def stuck_p(self) -> float:
        """P-value of 'what an earlier clean left goes as easily as what came since'."""
        return stay_p(self.old, self.fresh)

    @property
    def lens_p(self) -> float:
        """P-value of 'a changed lens makes no difference'."""
        return ratio_p(self.lens_changed, self.lens_kept)


def history(records: Sequence[Record]) -> History:
    """Return what surveys tell, given in order of time and each with its date."""
    followed = follow([record.grains for record in records], [record.focal_mm for record in records])
    limit = max((record.limit_um for record in records if math.isfinite(record.limit_um)), default=0.0)
    counted = [mark for mark in followed.marks if mark.diameter_um >= limit]
    entries = tuple(_entry(records, followed, counted, index) for index in range(len(records)))
    quiet = [entry for entry in entries[1:] if not entry.clean]
    cleans = [index for index, entry in enumerate(entries) if entry.clean]
    old, fresh = _last_clean(counted, cleans)
    return History(
        limit_um=limit,
        entries=entries,
        followed=followed,
        growth=_rate(quiet),
        growth_p=dispersion_p([entry.new for entry in quiet], [entry.days for entry in quiet]),
        lens_changed=_rate([entry for entry in quiet if entry.other_lens]),
        lens_kept=_rate([entry for entry in quiet if not entry.other_lens]),
        never_left=_never_left(counted, cleans, last=len(entries) - 1),
        old=old,
        fresh=fresh,
    )


def _rate(entries: Sequence[Entry]) -> Rate:
    return rate([entry.new for entry in entries], [entry.days for entry in entries])


def _entry(records: Sequence[Record], followed: Followed, counted: Sequence[Mark], index: int) -> Entry:
    record = records[index]
    there = [mark for mark in counted if mark.is_there(index)]
    bounds = [0.0, *(bound for bound, _ in CLASSES)]
    by_size = tuple(sum(low <= mark.diameter_um < high for mark in there) for low, high in pairwise(bounds))
    if index == 0:
        return Entry(record, by_size, 0.0, 0, 0, 0, "", other_lens=False)
    come = [mark for mark in counted if mark.first == index]
    left = sum(mark.last == index - 1 for mark in counted)
    before = sum(mark.is_there(index - 1) for mark in counted)
    return Entry(
        record=record,
        by_size=by_size,
        days=_days(records[index - 1], record),
        new=sum(not mark.moved for mark in come),
        moved=sum(mark.moved for mark in come),
        left=left,
        clean=record.cleaned_by or ("clean" if is_drop(left, before) else ""),
        other_lens=_other_lens(records, followed, index),
    )


def _days(before: Record, after: Record) -> float:
    assert before.taken is not None
    assert after.taken is not None
    return (after.taken - before.taken).total_seconds() / SECONDS_A_DAY


def _other_lens(records: Sequence[Record], followed: Followed, index: int) -> bool:
    one, other = records[index - 1].focal_mm, records[index].focal_mm
    differ = one is not None and other is not None and one != other
    return differ or abs(followed.factors[index] / followed.factors[index - 1] - 1) > SAME_LENS


def _never_left(counted: Sequence[Mark], cleans: Sequence[int], *, last: int) -> tuple[Mark, ...]:
    """Return the marks that lay there before the first of at least two cleans and still do, unshrunk."""
    if len(cleans) < 2:
        return ()
    stayed = [mark for mark in counted if mark.first < cleans[0] and mark.last == last]
    unshrunk = [mark for mark in stayed if mark.line.diameter_um > STUBBORN * mark.seen[mark.first].diameter_um]
    return tuple(sorted(unshrunk, key=lambda mark: -mark.diameter_um))


def _last_clean(counted: Sequence[Mark], cleans: Sequence[int]) -> tuple[Stay, Stay]:
    """Return what the last clean left of the grains that an earlier one had left, and of those that had come since."""
    if len(cleans) < 2:
        return Stay(0, 0), Stay(0, 0)
    before, now = cleans[-2:]
    there = [mark for mark in counted if mark.is_there(now - 1)]
    old = [mark.is_there(now) for mark in there if mark.first < before]
    fresh = [mark.is_there(now) for mark in there if mark.first >= before]
    return Stay(sum(old), len(old)), Stay(sum(fresh), len(fresh))
