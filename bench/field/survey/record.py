"""What a survey leaves for histories: one JSON file with the date, the camera and every grain."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from ....detectors.survey import Dust
from ....generators.exif import Body
from ...errors import YardError
from .frames import TestFrame
from .place import OnSensor
from .table import Line

KIND, VERSION = "moteyard-survey", 1


@dataclass(frozen=True, slots=True)
class Record:
    """A survey as it is kept.

    Attributes
    ----------
    name
        Its folder's or file's name, for messages.
    taken
        When its first test frame was taken, by the camera's clock, or None.
    frames
        Names of the test frames.
    body, size_mm
        The camera, and the sensor's width and height.
    f_number, focal_mm
        Of the test frames; focal_mm is None where unknown.
    distance_mm
        The filter's, air-equivalent.
    limit_um
        Grains of this size are found 9 times in 10, with 95 % confidence; inf where the test frames don't tell.
    cleaned_by
        What was done to the sensor just before, "" if nothing is known.
    grains
        The largest first.
    """

    name: str
    taken: datetime | None
    frames: tuple[str, ...]
    body: Body
    size_mm: tuple[float, float]
    f_number: float
    focal_mm: float | None
    distance_mm: float
    limit_um: float
    cleaned_by: str
    grains: tuple[Line, ...]


def record_of(
    frames: Sequence[TestFrame], dust: Dust, table: Sequence[Line], *, limit_um: float, taken: datetime | None
) -> Record:
    """Return the record of a survey that has just been made, under no name yet.

    Parameters
    ----------
    taken
        When, where the user says it; None takes the earliest date of the files.
    """
    facts = [frame.facts for frame in frames]
    dates = [each.taken for each in facts if each.taken is not None]
    number = frames[0].photograph.f_number
    return Record(
        name="",
        taken=taken or min(dates, default=None),
        frames=tuple(frame.path.name for frame in frames),
        body=facts[0].body,
        size_mm=frames[0].size_mm,
        f_number=math.nan if number is None else number,
        focal_mm=facts[0].focal_mm,
        distance_mm=dust.distance.mm,
        limit_um=limit_um,
        cleaned_by="",
        grains=tuple(table),
    )


def write_record(path: Path, record: Record) -> None:
    """Write a record; an existing file is never replaced."""
    words: dict[str, Any] = {"kind": KIND, "version": VERSION, **asdict(record)}
    del words["name"]
    words["taken"] = None if record.taken is None else record.taken.isoformat(sep=" ")
    words["limit_um"] = record.limit_um if math.isfinite(record.limit_um) else None
    with path.open("x", encoding="utf-8") as file:
        json.dump(words, file, indent=1, ensure_ascii=False)
        file.write("\n")


def read_record(path: Path) -> Record | None:
    """Return the record in a JSON file, None where it is something else's.

    Raises
    ------
    YardError
        If it is a record but damaged, or of a later version.
    """
    try:
        words = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, OSError):
        return None
    if not isinstance(words, dict) or words.get("kind") != KIND:
        return None
    if words.get("version") != VERSION:
        raise YardError(
            f"{path} is a survey's record of version {words.get('version')}, but this moteyard reads version "
            f"{VERSION}; make the survey again"
        )
    try:
        return _record(path, words)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise YardError(f"{path} is a damaged survey's record ({error}); make the survey again or remove it") from error


def _record(path: Path, words: dict[str, Any]) -> Record:
    wide, high = words["size_mm"]
    return Record(
        name=_name(path),
        taken=None if words["taken"] is None else datetime.fromisoformat(words["taken"]),
        frames=tuple(words["frames"]),
        body=Body(**words["body"]),
        size_mm=(float(wide), float(high)),
        f_number=float(words["f_number"]),
        focal_mm=None if words["focal_mm"] is None else float(words["focal_mm"]),
        distance_mm=float(words["distance_mm"]),
        limit_um=math.inf if words["limit_um"] is None else float(words["limit_um"]),
        cleaned_by=str(words["cleaned_by"]),
        grains=tuple(_line(one) for one in words["grains"]),
    )


def _line(words: dict[str, Any]) -> Line:
    line = Line(**words)
    right, up = words["place"]
    return replace(line, place=OnSensor(float(right), float(up)), levels=tuple(words["levels"]))


def _name(path: Path) -> str:
    return path.parent.name if path.name == "survey.json" else f"{path.parent.name}/{path.stem}"


def records_in(folder: Path) -> list[Record]:
    """Return the records of a folder and the folders in it, the earliest first, each survey once.

    Raises
    ------
    YardError
        If there are fewer than two, one has no date, or they are of two cameras.
    """
    if not folder.is_dir():
        raise YardError(f"there is no folder {folder}; give one that holds the folders that survey --out wrote")
    found = [record for path in sorted(folder.rglob("*.json")) if (record := read_record(path)) is not None]
    for record in found:
        if record.taken is None:
            raise YardError(
                f"the survey {record.name} has no date, since its test frames don't tell when they were taken; make it "
                "again with --taken 2026-05-31"
            )
    once: dict[tuple[datetime | None, tuple[str, ...]], Record] = {}
    for record in found:
        key = record.taken, record.frames
        once[key] = _merged(once[key], record) if key in once else record
    # On one day without hours, the one after a clean is the later one.
    records = sorted(once.values(), key=lambda record: (record.taken, record.cleaned_by != ""))
    if len(records) < 2:
        raise YardError(
            f"{folder} holds {len(records)} survey{'' if len(records) == 1 else 's'} and a history needs two or more; "
            "each moteyard survey … --out leaves one"
        )
    _check_one_camera(records)
    return records


def _merged(one: Record, other: Record) -> Record:
    """Return a survey that is there twice, as the one after a clean and by itself or before the next clean."""
    limit = min(one.limit_um, other.limit_um)
    return replace(one, cleaned_by=one.cleaned_by or other.cleaned_by, limit_um=limit)


def _check_one_camera(records: Sequence[Record]) -> None:
    first = records[0]
    for other in records[1:]:
        sizes = [f"{record.size_mm[0]:.1f}×{record.size_mm[1]:.1f} mm" for record in (other, first)]
        if other.body.is_other_than(first.body):
            said = other.body.name, first.body.name
        elif any(abs(a / b - 1) > 0.02 for a, b in zip(other.size_mm, first.size_mm, strict=True)):
            said = f"a sensor of {sizes[0]}", f"one of {sizes[1]}"
        else:
            continue
        raise YardError(
            f"the survey {other.name} is of {said[0]} but {first.name} of {said[1]}; keep each camera's surveys in a "
            "folder of their own"
        )
