"""`moteyard survey`: the course of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from ....detectors.survey import Dust, Stack, stacked
from ....detectors.survey.dust import survey_of_stack, test_optics
from ...errors import YardError
from ...visibility import Viewing
from .advice import advice
from .frames import SensorSize, TestFrame, photographs, read_frames
from .limit import PIECES, Statement, claimed_ground, recipe_of, statement
from .next_step import first_step, step_lines
from .place import OnSensor, facing_the_mount
from .record import Record, record_of, write_record
from .report import advice_lines, clean_lines, dust_lines
from .sensor_picture import draw_sensor
from .table import Line, lines, write_table
from .visible import visibility

TABLE, PICTURE, RECORD = "grains.csv", "sensor.png", "survey.json"


@dataclass(frozen=True, slots=True)
class Asked:
    """What the user said beside the files.

    Attributes
    ----------
    sensor
        Width and height in mm, or None.
    f_number
        For all test frames, or None.
    distance_mm
        The filter's distance where it is known, or None.
    taken
        When the test frames were taken, where the files don't tell, or None.
    """

    sensor: SensorSize | None = None
    f_number: float | None = None
    distance_mm: float | None = None
    taken: datetime | None = None


@dataclass(frozen=True, slots=True)
class Surveyed:
    """A survey with all that its report needs."""

    frames: tuple[TestFrame, ...]
    stack: Stack
    dust: Dust
    table: tuple[Line, ...]
    advice: tuple[str, ...]


def survey_sensor(paths: Sequence[Path], asked: Asked, *, out: Path) -> int:
    """Survey a sensor by test frames, write table and picture, print the report. Returns the exit status."""
    unwritten(out, (TABLE, PICTURE, RECORD))
    done = look(paths, asked)
    print("\n".join([*advice_lines(done.advice), "", *dust_lines(done.dust, done.table)]))
    said = limit_of(done)
    print("\n".join([*cleanliness(done, said), "", *step_lines(first_step(done.table))]))
    out.mkdir(parents=True, exist_ok=True)
    write_table(out / TABLE, done.table)
    draw_sensor(out / PICTURE, done.table, odd=odd_places(done), size_mm=done.frames[0].size_mm, title=title_of(done))
    write_record(out / RECORD, recorded(done, asked, limit_um=said.a90_95_um))
    print(f"written to {out}: {TABLE}, {PICTURE} and, for moteyard survey --history, {RECORD}")
    return 0


def recorded(done: Surveyed, asked: Asked, *, limit_um: float) -> Record:
    """Return what is kept of a survey."""
    return record_of(done.frames, done.dust, done.table, limit_um=limit_um, taken=asked.taken)


def unwritten(out: Path, names: Sequence[str]) -> None:
    """Refuse to replace a file."""
    for name in names:
        if (out / name).exists():
            raise YardError(f"{out / name} exists already; choose another --out or move it away")


def look(paths: Sequence[Path], asked: Asked) -> Surveyed:
    """Return the survey of test frames."""
    frames = read_frames(paths, sensor=asked.sensor, f_number=asked.f_number)
    shots = photographs(frames)
    stack = stacked(shots)
    if not stack.usable.any():
        raise YardError(f"{paths[0]} shows no evenly lit screen: it is clipped or black all over; expose it anew")
    dust = survey_of_stack(stack, test_optics(shots), distance_mm=asked.distance_mm)
    return Surveyed(frames, stack, dust, lines(dust, Viewing()), tuple(advice(frames, stack, dust)))


def limit_of(done: Surveyed) -> Statement:
    """Return what may be said of grains that were not found."""
    first = done.frames[0]
    recipe = recipe_of(first.path, first.photograph)
    share = float(np.mean(claimed_ground(done.stack, done.dust)))
    shots = photographs(done.frames)
    return statement(recipe, shots, done.dust, share=share, pieces=PIECES)


def cleanliness(done: Surveyed, said: Statement) -> list[str]:
    """Return the statement of cleanliness in lines."""
    if not math.isfinite(said.a90_95_um):
        return clean_lines(done.table, said, odd=len(done.dust.odd), limit_levels=())
    levels = visibility(np.array([said.a90_95_um]), done.dust.optics, viewing=Viewing())[0]
    return clean_lines(done.table, said, odd=len(done.dust.odd), limit_levels=levels.tolist())


def odd_places(done: Surveyed) -> list[OnSensor]:
    """Return where things lie that are no grains, facing the mount."""
    dust = done.dust
    return [facing_the_mount(x, y, shape=dust.shape, pixel_um=dust.optics.pixel_um) for x, y in dust.odd]


def title_of(done: Surveyed) -> str:
    """Return the picture's title."""
    number = done.frames[0].photograph.f_number
    shown = len(done.table)
    return f"{shown} grain{'' if shown == 1 else 's'} by {len(done.frames)} test frames at f/{number:g}"
