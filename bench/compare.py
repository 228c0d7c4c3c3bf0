"""Two runs on the same frames: which methods answer otherwise, on which ground and aperture, and how sure that is.

The comparison of a method with itself is `guard.compare`: average precision, paired by frame, resampled by blocks,
with intervals that hold together for all grounds of one method.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .cells import Record, Table, f_numbers, pooled_curve, where
from .choice import Choice
from .errors import YardError
from .guard import Line
from .guard import compare as compare_records

SHOWN_FRAMES = 3
"""Frames named that changed most."""


@dataclass(frozen=True, slots=True)
class FrameChange:
    """One frame's average precision before and after."""

    frame: str
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Change:
    """One method in both runs.

    Attributes
    ----------
    same_code, same_answers
        Whether its fingerprint is the same, and whether every candidate with its score is.
    lines
        The mean over grounds, where there are several, and each ground; empty where the answers are the same.
    apertures
        The same by f-number.
    time_ratio
        Its median CPU time after, over that before; machines may differ.
    frames
        Those whose average precision fell or rose most.
    """

    method: str
    same_code: bool
    same_answers: bool
    lines: tuple[Line, ...]
    apertures: Mapping[float, tuple[Line, ...]]
    time_ratio: float
    frames: tuple[FrameChange, ...]


@dataclass(frozen=True, slots=True)
class TrustChange:
    """A cell whose verdict for the chosen method differs."""

    ground: str
    f_number: float
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two runs side by side.

    Attributes
    ----------
    frames, only_before, only_after
        Frames of both, and of one run alone, which are left out.
    changes
        Methods of both runs.
    methods_before, methods_after
        Methods of one run alone.
    trust
        What the two chosen methods may be trusted with, where that differs.
    """

    frames: int
    only_before: int
    only_after: int
    changes: tuple[Change, ...]
    methods_before: tuple[str, ...]
    methods_after: tuple[str, ...]
    trust: tuple[TrustChange, ...]


def compare(before: Table, after: Table, *, least_effect: float) -> Comparison:
    """Return what differs between two runs, on the frames that both have.

    Raises
    ------
    YardError
        If they have no frame or no method in common, or a common frame has other pixels.
    """
    scenes = _common(before, after)
    both = [name for name in before if name in after]
    if not both:
        raise YardError(f"no method is in both: {', '.join(before)} against {', '.join(after)}")
    changes = [_change(name, _kept(before[name], scenes), _kept(after[name], scenes), least_effect) for name in both]
    sizes = [len(next(iter(table.values()))) for table in (before, after)]
    return Comparison(
        frames=len(scenes),
        only_before=sizes[0] - len(scenes),
        only_after=sizes[1] - len(scenes),
        changes=tuple(changes),
        methods_before=tuple(name for name in before if name not in after),
        methods_after=tuple(name for name in after if name not in before),
        trust=(),
    )


def _common(before: Table, after: Table) -> set[str]:
    pixels = [{r.frame.scene: r.frame.pixels for r in next(iter(table.values()), [])} for table in (before, after)]
    scenes = set(pixels[0]) & set(pixels[1])
    if not scenes:
        raise YardError("the two runs have no frame in common; compare runs of one version of one suite")
    other = sum(pixels[0][scene] != pixels[1][scene] for scene in scenes)
    if other:
        raise YardError(
            f"{other} of {len(scenes)} common frames have other pixels: libraries or painters changed, so scores "
            "can't be paired; run both with one version"
        )
    return scenes


def _kept(records: Sequence[Record], scenes: set[str]) -> list[Record]:
    return sorted((r for r in records if r.frame.scene in scenes), key=lambda r: r.frame.scene)


def _change(method: str, before: list[Record], after: list[Record], least_effect: float) -> Change:
    same = all(np.array_equal(a.result.spots, b.result.spots) for a, b in zip(before, after, strict=True))
    pair = {"before": before, "after": after}

    def lines(table: Table) -> tuple[Line, ...]:
        return compare_records(table["before"], table["after"], least_effect=least_effect)

    return Change(
        method=method,
        same_code=before[0].result.fingerprint == after[0].result.fingerprint,
        same_answers=same,
        lines=() if same else lines(pair),
        apertures={} if same else {f: lines(where(pair, f_number=f)) for f in f_numbers(pair)},
        time_ratio=_time(after) / _time(before),
        frames=() if same else _most_changed(before, after),
    )


def _time(records: Sequence[Record]) -> float:
    return float(np.median([record.result.cpu_s for record in records]))


def _most_changed(before: Sequence[Record], after: Sequence[Record]) -> tuple[FrameChange, ...]:
    found = [
        FrameChange(old.frame.name, pooled_curve([old]).average_precision(), pooled_curve([new]).average_precision())
        for old, new in zip(before, after, strict=True)
        if old.frame.counted
    ]
    changed = [one for one in found if one.after != one.before]
    return tuple(sorted(changed, key=lambda one: -abs(one.after - one.before))[:SHOWN_FRAMES])


def trust_changes(before: Choice, after: Choice) -> tuple[TrustChange, ...]:
    """Return the cells of both choices whose verdict, or whose method where it is trusted, differs."""
    old = {(cell.ground, cell.f_number): _verdict(before, cell.trusted) for cell in before.cells}
    new = {(cell.ground, cell.f_number): _verdict(after, cell.trusted) for cell in after.cells}
    cells = [cell for cell in old if cell in new and old[cell] != new[cell]]
    return tuple(TrustChange(*cell, old[cell], new[cell]) for cell in cells)


def _verdict(choice: Choice, trusted: bool) -> str:
    return f"trust {choice.method}" if trusted else "trust none"
