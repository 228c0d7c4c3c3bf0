"""Which places of a cell are worth a look, and in how few frames they can be shown."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, zip_longest
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .cells import Record, Table
from .store import FALSE_ALARM, HIT

MOST_FRAMES = 6
"""Frames rendered again for a cell."""

MISSES, FAINT, SPREAD = 7, 5, 5
"""Shadows shown of a cell: the most visible that are missed, the least visible that are found, and others."""

FALSE_ALARMS = 4
"""Strongest false alarms shown of each method."""

NEAR_PX = 6.0
"""False alarms of several methods this near each other share a crop."""


@dataclass(frozen=True, slots=True)
class Place:
    """A place in one frame: the index of its shadow, or −1 where there is none and methods raised an alarm."""

    frame: int
    x: float
    y: float
    width_px: float
    shadow: int = -1


def found_scores(record: Record) -> dict[int, NDArray[Any]]:
    """Return the candidate (`SPOT_TYPE`) that is each counted shadow's hit, by the shadow's index."""
    hits = record.result.spots[record.result.spots["kind"] == HIT]
    return {int(spot["truth"]): spot for spot in hits}


def false_alarms(record: Record) -> NDArray[Any]:
    """Return the false alarms of a frame, strongest first."""
    return np.asarray(record.result.spots[record.result.spots["kind"] == FALSE_ALARM])


def frames_worth(records: Sequence[Record], threshold: float) -> list[int]:
    """Return up to `MOST_FRAMES` frames with the most visible misses and the strongest false alarms, in turn."""
    misses: list[tuple[float, int]] = []
    false: list[tuple[float, int]] = []
    for number, record in enumerate(records):
        found = {index for index, spot in found_scores(record).items() if spot["score"] > threshold}
        misses += [(float(record.frame.truth["visibility"][i]), number) for i in _counted(record) if i not in found]
        false += [(float(spot["score"]), number) for spot in false_alarms(record)[:FALSE_ALARMS]]
    turns = zip_longest(sorted(misses, reverse=True), sorted(false, reverse=True))
    wanted = [item[1] for item in chain.from_iterable(turns) if item is not None]
    return list(dict.fromkeys([*wanted, *range(len(records))]))[:MOST_FRAMES]


def shadows_worth(records: Sequence[Record], frames: Sequence[int], threshold: float) -> list[Place]:
    """Return shadows of some frames: missed and plain, found and faint, and others between."""
    misses: list[tuple[float, int, int]] = []
    hits: list[tuple[float, int, int]] = []
    for number in frames:
        found = found_scores(records[number])
        for index in _counted(records[number]):
            taken = index in found and found[index]["score"] > threshold
            (hits if taken else misses).append((float(records[number].frame.truth["visibility"][index]), number, index))
    misses.sort(reverse=True)
    hits.sort()
    rest = sorted([*misses[MISSES:], *hits[FAINT:]])
    others = [rest[place] for place in np.unique(np.linspace(0, len(rest) - 1, SPREAD).astype(int))] if rest else []
    return [_shadow(records, number, index) for _, number, index in [*misses[:MISSES], *hits[:FAINT], *others]]


def alarms_worth(table: Table, frames: Sequence[int], method: str) -> Iterator[tuple[str, Place, float]]:
    """Yield (method, place, score) of each method's strongest false alarms in some frames; neighbours share a place.

    Those of `method` come first, then the strongest of each other, then the second of each, and so on.
    """
    strongest = {name: _strongest(records, frames) for name, records in table.items()}
    others = [[(name, *item) for item in items] for name, items in strongest.items() if name != method]
    turns = chain.from_iterable(zip_longest(*others))
    places: list[Place] = []
    for name, score, place in chain(((method, *item) for item in strongest[method]), filter(None, turns)):
        known = next((one for one in places if _near(one, place)), None)
        if known is None:
            places.append(place)
        yield name, known or place, score


def _strongest(records: Sequence[Record], frames: Sequence[int]) -> list[tuple[float, Place]]:
    found = [
        (float(spot["score"]), Place(number, float(spot["x"]), float(spot["y"]), float(spot["diameter_px"])))
        for number in frames
        for spot in false_alarms(records[number])[:FALSE_ALARMS]
    ]
    return sorted(found, key=lambda item: -item[0])[:FALSE_ALARMS]


def _near(one: Place, other: Place) -> bool:
    return one.frame == other.frame and np.hypot(one.x - other.x, one.y - other.y) <= NEAR_PX


def _counted(record: Record) -> list[int]:
    return [int(index) for index in np.flatnonzero(record.frame.truth["counted"])]


def _shadow(records: Sequence[Record], number: int, index: int) -> Place:
    truth = records[number].frame.truth[index]
    return Place(number, float(truth["x"]), float(truth["y"]), float(truth["fwhm_px"]), index)
