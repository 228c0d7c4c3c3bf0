"""What kind of mistakes a method makes at its thresholds, and what mending each kind would gain.

Each candidate that counts gets the first name that fits, in this order:

matched
    paired with a shadow by the bench's one-to-one rule;
merged
    covers the centres of two or more shadows, one of them missed: a blob where there are several;
offset
    near a missed shadow, within three gates but outside one: seen and put down in the wrong place;
duplicate
    inside the gate of a shadow that another candidate has found;
background
    none of these.

A missed shadow answers for at most one mistake, a merged candidate before an offset one and the stronger
candidate first; those that answer for none are missed.

The gain of a kind is the rise of F1 if that kind alone were mended: a merged candidate becomes the hits it
swallowed, an offset one a hit, duplicates and background vanish, missed shadows are found. Gains do not add up
to 1 − F1. The idea of single-fix gains follows Bolya et al., 'TIDE', ECCV 2020 (from memory); the kinds are for
points instead of boxes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from .cells import Record, Table, f_numbers, grounds, where
from .curve import f_score, recall
from .interval import mean_interval
from .match import LEAST_GATE_PX, NO_TRUTH, gate_px, match
from .store import FALSE_ALARM, HIT
from .taken import found_shadows, taken

KINDS = ("merged", "offset", "duplicate", "background", "missed")
"""The mistakes, in the order in which they are named."""

OFFSET_GATES = 3.0
"""How many gates a candidate may lie from a missed shadow and still be taken for it."""

VISIBILITY_STEPS = (0.0, 1.0, 3.0, 10.0, 30.0, np.inf)
"""Visibility levels that part the shadows: unseen below 1, then about half a decade each."""


@dataclass(frozen=True, slots=True)
class Errors:
    """Counts of some frames; `+` adds them.

    Attributes
    ----------
    truths, matched
        Shadows to find, and those found.
    merged, offset, duplicate, background
        Candidates that are false alarms of each kind.
    swallowed
        Missed shadows inside merged candidates.
    """

    truths: int = 0
    matched: int = 0
    merged: int = 0
    offset: int = 0
    duplicate: int = 0
    background: int = 0
    swallowed: int = 0

    def __add__(self, other: Errors) -> Errors:
        return Errors(*(getattr(self, name) + getattr(other, name) for name in self.__slots__))

    @property
    def missed(self) -> int:
        """Missed shadows that no merged or offset candidate stands for."""
        return self.truths - self.matched - self.swallowed - self.offset

    @property
    def false_alarms(self) -> int:
        """Candidates of all wrong kinds."""
        return self.merged + self.offset + self.duplicate + self.background

    @property
    def f1(self) -> float:
        """F1 as it is; nan only without shadow and candidate."""
        return self._f1(0, 0)

    def gain(self, kind: str) -> float:
        """Return what mending one of `KINDS` alone adds to F1, ≥ 0."""
        hits = {"merged": self.swallowed, "offset": self.offset, "missed": self.missed}.get(kind, 0)
        false = 0 if kind == "missed" else int(getattr(self, kind))
        return self._f1(hits, false) - self.f1

    def _f1(self, more_hits: int, fewer_false: int) -> float:
        return float(f_score(self.matched + more_hits, self.false_alarms - fewer_false, self.truths))


@dataclass(frozen=True, slots=True)
class _Frame:
    """Counted shadows and counting candidates of one frame; candidates and the missed shrink as they are named."""

    centres: NDArray[np.float64]
    gate: NDArray[np.float64]
    places: NDArray[np.float64]
    reach: NDArray[np.float64]
    missed: NDArray[np.bool_]
    open: NDArray[np.bool_] = field(repr=False)


def frame_errors(record: Record, threshold: float) -> Errors:
    """Return the errors of one frame among candidates that score above a threshold."""
    spots = taken(record, threshold)
    frame = _frame(record, threshold)
    matched = int((~frame.missed).sum())
    merged, swallowed = _merged(frame)
    offset = _offset(frame)
    duplicate = _duplicates(frame)
    false = int((spots["kind"] == FALSE_ALARM).sum())
    background = false - merged - offset - duplicate
    return Errors(len(frame.missed), matched, merged, offset, duplicate, background, swallowed)


def _frame(record: Record, threshold: float) -> _Frame:
    truth, spots = record.frame.truth, taken(record, threshold)
    missed = truth["counted"].copy()
    missed[spots["truth"][spots["kind"] == HIT]] = False
    counted, wrong = truth["counted"], spots[spots["kind"] == FALSE_ALARM]
    return _Frame(
        centres=np.column_stack([truth["x"], truth["y"]])[counted].astype(np.float64),
        gate=gate_px(truth["fwhm_px"][counted] / 2),
        places=np.column_stack([wrong["x"], wrong["y"]]).astype(np.float64),
        reach=np.maximum(LEAST_GATE_PX, wrong["diameter_px"] / 2).astype(np.float64),
        missed=missed[counted],
        open=np.ones(len(wrong), dtype=bool),
    )


def _merged(frame: _Frame) -> tuple[int, int]:
    """Name the merged candidates, and return how many they are and how many missed shadows they hold."""
    if len(frame.centres) == 0 or len(frame.places) == 0:
        return 0, 0
    merged, swallowed = 0, 0
    for spot, inside in enumerate(KDTree(frame.centres).query_ball_point(frame.places, frame.reach)):
        free = [truth for truth in inside if frame.missed[truth]]
        if len(inside) >= 2 and free:
            merged, swallowed = merged + 1, swallowed + len(free)
            frame.missed[free] = False
            frame.open[spot] = False
    return merged, swallowed


def _offset(frame: _Frame) -> int:
    """Name the offset candidates, as many and as near as can be paired with missed shadows."""
    wide = OFFSET_GATES * frame.gate[frame.missed]
    spots = np.flatnonzero(frame.open)
    pairs = match(frame.centres[frame.missed], wide, spots_xy=frame.places[spots])
    frame.open[spots[pairs.truth_of_spot != NO_TRUTH]] = False
    return int((pairs.truth_of_spot != NO_TRUTH).sum())


def _duplicates(frame: _Frame) -> int:
    """Return how many of the rest lie inside the gate of a shadow."""
    rest = frame.places[frame.open]
    if len(frame.centres) == 0 or len(rest) == 0:
        return 0
    near = KDTree(rest).query_ball_point(frame.centres, frame.gate)
    return len({spot for spots in near for spot in spots})


def errors(records: Sequence[Record], thresholds: dict[tuple[str, float], float]) -> Errors:
    """Return the errors of some frames of one method, each at the threshold of its cell."""
    total = Errors()
    for record in records:
        total += frame_errors(record, thresholds[record.frame.ground, record.frame.f_number])
    return total


def errors_by_ground(
    table: Table, method: str, thresholds: dict[tuple[str, float], float]
) -> dict[tuple[str, float | None], Errors]:
    """Return errors by ground over all its apertures (f-number None), and by ground and f-number."""
    found: dict[tuple[str, float | None], Errors] = {}
    for ground in grounds(table):
        cells = {f: errors(where(table, ground=ground, f_number=f)[method], thresholds) for f in f_numbers(table)}
        found[ground, None] = sum(cells.values(), Errors())
        found |= {(ground, f): counts for f, counts in cells.items()}
    return found


@dataclass(frozen=True, slots=True)
class Level:
    """Shadows of a visibility in [low, high): how many there are, how many found, and the share's 95 % interval."""

    low: float
    high: float
    shadows: int
    found: int
    recall_low: float = np.nan
    recall_high: float = np.nan

    @property
    def recall(self) -> float:
        """Share found; nan without shadows."""
        return float(recall(self.found, self.shadows))


def recall_by_visibility(
    table: Table, method: str, thresholds: dict[tuple[str, float], float]
) -> dict[str, tuple[Level, ...]]:
    """Return what is found of the shadows at each step of visibility, by ground, all its apertures together."""
    return {ground: _levels(where(table, ground=ground)[method], thresholds) for ground in grounds(table)}


def _levels(records: Sequence[Record], thresholds: dict[tuple[str, float], float]) -> tuple[Level, ...]:
    limits = [thresholds[record.frame.ground, record.frame.f_number] for record in records]
    found = np.concatenate([found_shadows(*pair) for pair in zip(records, limits, strict=True)])
    visibility = np.concatenate([record.frame.truth["visibility"] for record in records])
    blocks = np.repeat([record.frame.block for record in records], [len(record.frame.truth) for record in records])
    step = np.digitize(visibility, VISIBILITY_STEPS[1:-1])
    levels = []
    for number, (low, high) in enumerate(pairwise(VISIBILITY_STEPS)):
        here = step == number
        share = mean_interval(found[here].astype(np.float64), blocks[here].tolist())
        levels.append(Level(low, high, int(here.sum()), int(found[here].sum()), share.low, share.high))
    return tuple(levels)
