"""A history in words and tables: for the terminal, and as CSV and JSON."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from ...terminal import wrapped
from ..find import plural
from ..lens_note import untold, untold_note
from .compare import MOST_SHIFT
from .growth import Rate
from .history import BURSTS, Entry, History
from .marks import Mark
from .table import CLASSES

LISTED = 12
"""Marks that never left, listed in the terminal."""


def history_lines(done: History) -> list[str]:
    """Return what a history tells, in lines of 80 columns."""
    first, last = done.entries[0].record, done.entries[-1].record
    days = math.fsum(entry.days for entry in done.entries)
    camera = f" of {first.body.name}" if first.body.name else ""
    lines = wrapped(
        f"HISTORY     {len(done.entries)} surveys{camera}, {first.taken:%Y-%m-%d} to {last.taken:%Y-%m-%d}, "
        f"{days:.0f} days"
    )
    if done.limit_um:
        lines += wrapped(
            f"    counted are grains of {done.limit_um:.1f} µm and more, which even the coarsest of these surveys "
            "finds 9 times in 10"
        )
    return [*lines, "", *_table(done), *_lenses(done), "", *_growth(done), "", *_cleans(done), "", *_never_left(done)]


def _table(done: History) -> list[str]:
    names = [name for _, name in CLASSES]
    head = f"{'date':<11}{'lens':>7}" + "".join(f"{name:>{max(8, len(name) + 2)}}" for name in names)
    rows = [f"{head}{'all':>5}{'new':>5}{'moved':>7}{'left':>6}"]
    for number, entry in enumerate(done.entries):
        if entry.clean:
            rows.append(f"{'':>11}--- {_clean_words(entry)}")
        rows.append(_row(entry, first=number == 0))
    rows.append("new, moved, left: since the survey before; left its place, moved ones among them")
    return rows


def _row(entry: Entry, *, first: bool) -> str:
    focal = entry.record.focal_mm
    lens = "–" if focal is None else f"{focal:g} mm"
    sizes = "".join(f"{n:>{max(8, len(name) + 2)}}" for n, (_, name) in zip(entry.by_size, CLASSES, strict=True))
    changes = ("–", "–", "–") if first else (str(entry.new), str(entry.moved), str(entry.left))
    new, moved, left = changes
    return f"{entry.record.taken:%Y-%m-%d} {lens:>7}{sizes}{entry.count:>5}{new:>5}{moved:>7}{left:>6}"


def _clean_words(entry: Entry) -> str:
    return "a clean, as the drop tells" if entry.clean == "clean" else f"cleaned by {entry.clean}"


def _lenses(done: History) -> list[str]:
    """Return a sentence for each survey of whose lens nothing tells."""
    records = [entry.record for entry in done.entries]
    focals = [record.focal_mm for record in records]
    corner = math.hypot(*records[0].size_mm) / 2
    lines = []
    for index in untold(focals, done.followed.factors):
        pair = focals[index] or math.nan, focals[0] or math.nan
        lines += wrapped(untold_note([records[index].name], focals_mm=pair, most=MOST_SHIFT, corner=corner, unit="mm"))
    return lines


def rate_words(one: Rate) -> str:
    """Return a rate with its interval."""
    if not one.days > 0:
        return "no days to count over"
    ends = f"{_number(one.low)}–{_number(one.high)}"
    return f"{_number(one.per_day)} new grains a day ({ends}), {one.count} in {one.days:.0f} days"


def _number(value: float) -> str:
    return f"{value:.2f}" if value < 9.995 else f"{value:.0f}"


def _growth(done: History) -> list[str]:
    lines = wrapped(f"GROWTH      {rate_words(done.growth)}, spans with a clean left out")
    if not done.growth.days > 0:
        return lines
    lines += wrapped(
        "    in brackets the exact 95 % interval of a Poisson count (Garwood 1936); what came and went between two "
        "surveys is not in it"
    )
    if done.lens_changed.days > 0 and done.lens_kept.days > 0:
        lines += wrapped(f"    over spans that end with another lens: {rate_words(done.lens_changed)}")
        lines += wrapped(f"    with the same lens: {rate_words(done.lens_kept)}")
        verdict = "a real difference" if done.lens_p < BURSTS else "these counts can't tell the two apart"
        lines += wrapped(f"    equal rates would differ so much in {100 * done.lens_p:.0f} % of cases: {verdict}")
    if done.growth_p < BURSTS:
        lines += wrapped(
            f"    it came in bursts: a steady rate would make spans that differ so in {100 * done.growth_p:.1f} % of "
            "cases; take the interval for too narrow, and look what happened in the fullest span"
        )
    return lines


def _cleans(done: History) -> list[str]:
    if not done.cleans:
        return wrapped("CLEANS      none told of, and no drop that looks like one")
    lines = []
    for number, index in enumerate(done.cleans):
        entry, before = done.entries[index], done.entries[index - 1]
        how = "" if entry.clean == "clean" else f" by {entry.clean}"
        lines += wrapped(
            f"{'CLEANS' if number == 0 else '':<12}before {entry.record.taken:%Y-%m-%d}{how}: {entry.left} of "
            f"{before.count} left, {entry.new} new, {entry.moved} moved"
        )
    return lines


def _never_left(done: History) -> list[str]:
    if len(done.cleans) < 2:
        return wrapped("NEVER LEFT  two cleans or more tell which marks never leave")
    if not done.never_left:
        return wrapped("NEVER LEFT  no mark outlasted all cleans in its place and size")
    count = len(done.never_left)
    cleans = "both cleans" if len(done.cleans) == 2 else f"all {len(done.cleans)} cleans"
    lines = wrapped(f"NEVER LEFT  {plural(count, 'mark')} outlasted {cleans} in place and size")
    lines.append(f"    {'mark':>4}{'µm':>6}  since       where, as you face the mount")
    for mark in done.never_left[:LISTED]:
        since = done.entries[mark.first].record.taken
        lines.append(f"    {mark.number:>4}{mark.diameter_um:>6.0f}  {since:%Y-%m-%d}  {mark.line.where}")
    if count > LISTED:
        lines.append(f"    and {count - LISTED} smaller ones")
    return [*lines, *wrapped(f"    {_stuck_words(done)}")]


def _stuck_words(done: History) -> str:
    """Return whether what stayed once stays again, and what to do."""
    if math.isnan(done.stuck_p):
        told = "nothing came between the last two cleans to compare them with"
    else:
        told = (
            f"the last clean left {done.old.stayed} of {done.old.of} grains that had stayed before, and "
            f"{done.fresh.stayed} of {done.fresh.of} that had come since: "
        )
        told += "they hold faster" if done.stuck_p < BURSTS else "no sign that they hold faster"
    return (
        f"{told}; what neither moves nor shrinks may lie under the filter: don't clean harder, ask the maker's service"
    )


def write_entries(path: Path, done: History) -> None:
    """Write a line a survey; an existing file is never replaced."""
    names = [name.replace(" ", "_") for _, name in CLASSES]
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(
            ["taken", "survey", "focal_mm", "lens_factor", *names, "all", "days", "new", "moved", "left", "clean"]
        )
        for entry, factor in zip(done.entries, done.followed.factors, strict=True):
            record = entry.record
            focal = "" if record.focal_mm is None else f"{record.focal_mm:g}"
            changes = [f"{entry.days:.3f}", entry.new, entry.moved, entry.left, entry.clean]
            writer.writerow([record.taken, record.name, focal, f"{factor:.5f}", *entry.by_size, entry.count, *changes])


def write_marks(path: Path, done: History) -> None:
    """Write a line a grain, those too small to be counted too; an existing file is never replaced."""
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(
            ["mark", "right_mm", "up_mm", "where", "diameter_um", "first", "last", "surveys", "counted", "moved",
             "never_left"]
        )  # fmt: skip
        kept = {mark.number for mark in done.never_left}
        for mark in done.followed.marks:
            place = mark.line.place
            dates = [f"{done.entries[index].record.taken}" for index in (mark.first, mark.last)]
            flags = [mark.diameter_um >= done.limit_um, mark.moved, mark.number in kept]
            writer.writerow(
                [mark.number, f"{place.right_mm:.2f}", f"{place.up_mm:.2f}", mark.line.where, f"{mark.diameter_um:.1f}",
                 *dates, len(mark.seen), *("yes" if flag else "no" for flag in flags)]
            )  # fmt: skip


def write_json(path: Path, done: History) -> None:
    """Write all numbers for machines; what can't be told is null. An existing file is never replaced."""
    words = {
        "limit_um": done.limit_um,
        "surveys": [_entry_words(entry) for entry in done.entries],
        "growth": asdict(done.growth),
        "growth_steady_p": done.growth_p,
        "lens_changed": asdict(done.lens_changed),
        "lens_kept": asdict(done.lens_kept),
        "lens_equal_p": done.lens_p,
        "never_left": [_mark_words(mark) for mark in done.never_left],
        "stayed_before": asdict(done.old),
        "came_since": asdict(done.fresh),
        "holds_faster_p": done.stuck_p,
    }
    with path.open("x", encoding="utf-8") as file:
        json.dump(_without_nan(words), file, indent=1, ensure_ascii=False)
        file.write("\n")


def _entry_words(entry: Entry) -> dict[str, Any]:
    sizes = {name: count for (_, name), count in zip(CLASSES, entry.by_size, strict=True)}
    changes = {
        "days": entry.days,
        "new": entry.new,
        "moved": entry.moved,
        "left": entry.left,
        "clean": entry.clean or None,
    }
    return {"survey": entry.record.name, "taken": str(entry.record.taken), "grains": sizes, **changes}


def _mark_words(mark: Mark) -> dict[str, Any]:
    place = mark.line.place
    return {
        "mark": mark.number,
        "right_mm": place.right_mm,
        "up_mm": place.up_mm,
        "where": mark.line.where,
        "diameter_um": mark.diameter_um,
    }


def _without_nan(value: Any) -> Any:
    """Return numbers that JSON knows: nan and infinity become null."""
    if isinstance(value, dict):
        return {key: _without_nan(one) for key, one in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_without_nan(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
