"""What a detector did on a few frames, as crops to look at: hits, misses and false alarms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .cells import Record, pooled_curve
from .crops import Tile
from .draw import spot_radius
from .field.contact_sheet import crop
from .rendered import rendered
from .store import FALSE_ALARM, HIT

MOST = 6
"""Crops of one kind and ground on a page."""

SIDE_PX = 80
"""Side of a crop in pixels of the frame; wider where the shadow is wide."""

FALSE_ALARMS = 1.0
"""False alarms a frame of one ground, at most, at the threshold that parts what counts as taken."""


@dataclass(frozen=True, slots=True)
class Mark:
    """An outline in a crop: centre and radius as shares of the crop's side."""

    x: float
    y: float
    radius: float


@dataclass(frozen=True, slots=True)
class Crop:
    """One place.

    Attributes
    ----------
    tile
        Pixels (side, side, 3), contrast stretched.
    truths
        Outlines of the true shadows that an observer would see.
    candidate
        Outline of the candidate, or None where there was none.
    ground, f_number
        Where it is from.
    score
        The candidate's, nan without one.
    depth
        Peak depth of the true shadow, nan without one.
    """

    tile: Tile
    truths: tuple[Mark, ...]
    candidate: Mark | None
    ground: str
    f_number: float
    score: float
    depth: float


@dataclass(frozen=True, slots=True)
class Look:
    """Crops of three kinds, ground by ground, strongest first (misses: plainest first), and how many there are."""

    hits: tuple[Crop, ...]
    misses: tuple[Crop, ...]
    false_alarms: tuple[Crop, ...]
    counts: tuple[int, int, int]


def lenient_thresholds(records: Sequence[Record]) -> dict[str, float]:
    """Return for each ground the lowest score that keeps to `FALSE_ALARMS` a frame of it, inf where none does."""
    grounds = dict.fromkeys(record.frame.ground for record in records)
    return {ground: _lenient([record for record in records if record.frame.ground == ground]) for ground in grounds}


def _lenient(records: Sequence[Record]) -> float:
    curve = pooled_curve(records)
    quiet = curve.threshold[curve.false_alarms_per_frame <= FALSE_ALARMS]
    return float(quiet[-1]) if len(quiet) else float("inf")


def look(records: Sequence[Record], thresholds: Mapping[str, float]) -> Look:
    """Cut the crops. Frames are rendered again from their recipes, one at a time."""
    places = {kind: _places(records, thresholds, kind) for kind in ("hit", "miss", "false")}
    wanted = {kind: _first_of_each_ground(some, records, thresholds) for kind, some in places.items()}
    cut: dict[tuple[str, int, int], Crop] = {}
    for number, record in enumerate(records):
        mine = [(kind, place) for kind, some in wanted.items() for place in some if place[1] == number]
        if mine:
            pixels = rendered(record.frame)
            cut |= {(kind, number, place[2]): _crop(record, pixels, kind, place[2]) for kind, place in mine}
    crops = {kind: tuple(cut[kind, number, index] for _, number, index in some) for kind, some in wanted.items()}
    counts = len(places["hit"]), len(places["miss"]), len(places["false"])
    return Look(crops["hit"], crops["miss"], crops["false"], counts)


Place = tuple[float, int, int]
"""−strength, number of the frame, index of candidate or truth: they sort strongest first."""


def _first_of_each_ground(places: Sequence[Place], records: Sequence[Record], grounds: Iterable[str]) -> list[Place]:
    return [
        place
        for ground in grounds
        for place in [place for place in places if records[place[1]].frame.ground == ground][:MOST]
    ]


def _places(records: Sequence[Record], thresholds: Mapping[str, float], kind: str) -> list[Place]:
    found = []
    for number, record in enumerate(records):
        spots, truth = record.result.spots, record.frame.truth
        taken = spots["score"] >= thresholds[record.frame.ground]
        if kind == "miss":
            hit = np.isin(np.arange(len(truth)), spots["truth"][taken & (spots["kind"] == HIT)])
            index, strength = np.flatnonzero(truth["counted"] & ~hit), truth["visibility"]
        else:
            index = np.flatnonzero(taken & (spots["kind"] == (HIT if kind == "hit" else FALSE_ALARM)))
            strength = spots["score"]
        found += [(-float(strength[place]), number, int(place)) for place in index]
    return sorted(found)


def _crop(record: Record, pixels: Any, kind: str, index: int) -> Crop:
    spots, truth = record.result.spots, record.frame.truth
    if kind == "miss":
        place, width, score, depth = truth[index], truth[index]["fwhm_px"], float("nan"), truth[index]["depth"]
    else:
        place, width, score = spots[index], spots[index]["diameter_px"], float(spots[index]["score"])
        depth = truth[place["truth"]]["depth"] if kind == "hit" else float("nan")
    side = max(SIDE_PX, 2 * round(2 * spot_radius(float(width))))
    left, top = round(float(place["x"])) - side // 2, round(float(place["y"])) - side // 2

    def mark(row: Any, diameter: str) -> Mark:
        # Edges of pixels, not centres, bound a crop: half a pixel more.
        x, y = ((float(row[axis]) + 0.5 - start) / side for axis, start in (("x", left), ("y", top)))
        return Mark(x, y, spot_radius(float(row[diameter])) / side)

    truths = (mark(row, "fwhm_px") for row in truth[truth["counted"]])
    return Crop(
        tile=crop(pixels, float(place["x"]), float(place["y"]), side),
        truths=tuple(one for one in truths if -0.2 < one.x < 1.2 and -0.2 < one.y < 1.2),
        candidate=None if kind == "miss" else mark(spots[index], "diameter_px"),
        ground=record.frame.ground,
        f_number=record.frame.f_number,
        score=score,
        depth=float(depth),
    )
