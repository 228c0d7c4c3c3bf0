"""`moteyard survey --before A… --after B…`: whether a clean helped."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ...errors import YardError
from ...terminal import wrapped
from ..lens_note import untold, untold_note
from ..reader import check_one_camera
from .clean_picture import draw_clean
from .command import Asked, Surveyed, cleanliness, limit_of, look, odd_places, recorded, unwritten
from .compare import MOST_SHIFT, Change, Comparison, Fate, compare
from .frames import TestFrame
from .limit import Statement
from .next_step import NAMED, Step, next_step, step_lines, unmoved
from .record import write_record
from .report import advice_lines, dust_lines
from .sensor_picture import draw_sensor
from .table import write_table

BEFORE, AFTER, CHANGES, PICTURE, SENSOR = "before.csv", "after.csv", "changes.csv", "changes.png", "sensor.png"
RECORDS = "before.json", "after.json"


def compare_cleans(before: Sequence[Path], after: Sequence[Path], asked: Asked, *, last: Step | None, out: Path) -> int:
    """Survey a sensor before and after a clean, write what changed, print a report. Returns the exit status."""
    unwritten(out, (BEFORE, AFTER, CHANGES, PICTURE, SENSOR, *RECORDS))
    old, new = look(before, asked), look(after, asked)
    _one_camera(before, after, old, new)
    done = compare(old.table, new.table)
    said = limit_of(new)
    print("\n".join(_report(old, new, done, said, last)))
    out.mkdir(parents=True, exist_ok=True)
    write_table(out / BEFORE, old.table)
    write_table(out / AFTER, new.table)
    write_changes(out / CHANGES, done.changes)
    draw_clean(out / PICTURE, done, size_mm=new.frames[0].size_mm)
    title = f"{len(new.table)} grains left"
    draw_sensor(out / SENSOR, new.table, odd=odd_places(new), size_mm=new.frames[0].size_mm, title=title)
    how = next((word for word, step in NAMED.items() if step == last), "clean")
    write_record(out / RECORDS[0], recorded(old, asked, limit_um=math.inf))
    write_record(out / RECORDS[1], replace(recorded(new, asked, limit_um=said.a90_95_um), cleaned_by=how))
    print(f"written to {out}: {CHANGES}, {PICTURE}, {SENSOR}, {BEFORE}, {AFTER}")
    print(f"and, for moteyard survey --history, {' and '.join(RECORDS)}")
    return 0


def _one_camera(before: Sequence[Path], after: Sequence[Path], old: Surveyed, new: Surveyed) -> None:
    check_one_camera(old.frames[0].facts, new.frames[0].facts)
    sizes = [done.frames[0].size_mm for done in (old, new)]
    if any(abs(a / b - 1) > 0.02 for a, b in zip(*sizes, strict=True)):
        raise YardError(
            f"{before[0]} shows {sizes[0][0]:.1f}×{sizes[0][1]:.1f} mm of a sensor but {after[0]} "
            f"{sizes[1][0]:.1f}×{sizes[1][1]:.1f} mm; compare test frames of one camera, uncropped"
        )


def _report(old: Surveyed, new: Surveyed, done: Comparison, said: Statement, last: Step | None) -> list[str]:
    lines = []
    for name, each in (("before", old), ("after", new)):
        lines += [f"{name.upper()}", *advice_lines(each.advice), *dust_lines(each.dust, each.table), ""]
    lines += [
        *change_lines(done),
        *lens_lines(old.frames, new.frames, done),
        *cleanliness(new, said),
        "",
        *step_lines(next_step(done, last=last)),
    ]
    return lines


def lens_lines(before: Sequence[TestFrame], after: Sequence[TestFrame], done: Comparison) -> list[str]:
    """Return what is not known where the later test frames are by another lens and too few grains stayed."""
    one, other = before[0], after[0]
    first, later = one.facts.focal_mm, other.facts.focal_mm
    if first is None or later is None or not untold([first, later], [1.0, done.magnification]):
        return []
    corner = math.hypot(*one.size_mm) / 2
    return wrapped(untold_note([other.path.name], focals_mm=(later, first), most=MOST_SHIFT, corner=corner, unit="mm"))


def change_lines(done: Comparison) -> list[str]:
    """Return how many went, stayed, moved and came."""
    counts = "   ".join(f"{len(done.of(fate))} {fate}" for fate in Fate)
    lines = [f"CHANGES     {counts}"]
    if done.magnification != 1:
        lines += wrapped(
            "the later frames are by another lens or focal length: shadows lie "
            f"{100 * (done.magnification - 1):+.2f} % further out, which was allowed for"
        )
    stuck = unmoved(done)
    if stuck:
        lines += wrapped(
            f"{stuck} neither moved nor shrank; if that holds over two cleans they may lie under the filter"
        )
    return lines


def write_changes(path: Path, changes: Sequence[Change]) -> None:
    """Write a line a grain; an existing file is never replaced."""
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(
            ["fate", "number_before", "number_after", "right_mm", "up_mm", "where", "before_um", "after_um"]
        )
        for change in changes:
            numbers = [str(line.number) if line else "" for line in (change.before, change.after)]
            sizes = [f"{line.diameter_um:.1f}" if line else "" for line in (change.before, change.after)]
            place = change.line.place
            writer.writerow(
                [change.fate, *numbers, f"{place.right_mm:.2f}", f"{place.up_mm:.2f}", change.line.where, *sizes]
            )
