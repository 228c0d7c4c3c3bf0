"""`moteyard guard`: make a baseline, or hold a detector against one."""

from __future__ import annotations

import json
import math
import statistics
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from ..detectors.registry import load
from ..generators.scene import Scene, render
from .baseline import Baseline, FrameMark, MethodMark, read_baseline, refuse_files_of_others, write_baseline
from .cells import Record
from .choice import Choice, read_choice
from .engine import cores, run_jobs
from .errors import YardError
from .field.ground import cells_for, nearest
from .frame_look import look
from .guard import Line, Measure, average_precision, compare, f1_at
from .guard_frames import check_frames, check_recipes, here
from .guard_report import Report, as_plain, junit, report_lines
from .judge import Job
from .reference import reference_cpu_s
from .run import fingerprints
from .store import FrameRow, ResultRow
from .suite_file import load_suite, suite_text
from .terminal import failure_lines, wrapped

Answers = dict[str, list[ResultRow]]


def make_baseline(folder: Path, *, suite: str, detectors: Sequence[str], workers: int | None) -> int:
    """Render a suite, put detectors on it and write a baseline folder. Returns the exit status."""
    refuse_files_of_others(folder)
    recipe = load_suite(suite)
    scenes = [scene.to_json() for scene in recipe.scenes()]
    rows, answers, reference = _answers(scenes, recipe.viewing, detectors, workers)
    failures = [row for results in answers.values() for row in results if row.problem is not None]
    if failures:
        print("\n".join(failure_lines(failures)), file=sys.stderr)
        return 1
    specs = {load(spec).name: spec for spec in detectors}
    baseline = Baseline(
        suite=recipe,
        suite_text=suite_text(suite),
        frames=tuple(FrameMark(row.name, row.recipe, row.pixels, row.counted) for row in rows),
        methods={
            name: MethodMark(specs[name], results[0].fingerprint, _time(results) / reference)
            for name, results in answers.items()
        },
        outcomes={name: tuple(row.spots for row in results) for name, results in answers.items()},
        looks=np.array([look(render(Scene.from_json(row.recipe)).pixels) for row in rows]),
        versions=here(),
    )
    write_baseline(baseline, folder)
    size = sum(file.stat().st_size for file in folder.iterdir()) / 1000
    print(f"baseline of {len(rows)} frames and {', '.join(answers)} written to {folder} ({size:.0f} kB)")
    print(f"next: moteyard guard --baseline {folder}")
    return 0


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a comparison asks for: detectors (all of the baseline), the answers to hold them against, files."""

    detectors: Sequence[str] = ()
    against: str | None = None
    least_effect: float = 0.02
    thresholds: Path | None = None
    junit: Path | None = None
    report: Path | None = None


def guard(folder: Path, wanted: Wanted, *, workers: int | None) -> int:
    """Hold detectors against a baseline, print and write the outcome. Returns 0, or 1 if one is worse or failed."""
    baseline = read_baseline(folder)
    specs = list(wanted.detectors) or [mark.spec for mark in baseline.methods.values()]
    partners = {name: _partner(baseline, folder, name, wanted.against) for name in fingerprints(specs)}
    choice = _choice(wanted.thresholds, list(partners))
    recipes = [frame.recipe for frame in baseline.frames]
    check_recipes(recipes, folder)
    rows, answers, reference = _answers(recipes, baseline.suite.viewing, specs, workers)
    note = check_frames(baseline, rows, folder)
    reports = []
    for name, results in answers.items():
        old = baseline.records(partners[name], rows)
        lines = _compared(old, results, wanted.least_effect, average_precision)
        at = _compared(old, results, wanted.least_effect, _taking(choice)) if choice and choice.method == name else ()
        failures = tuple(row for row in results if row.problem is not None)
        ratio = math.nan if failures else _time(results) / reference
        reports.append(
            Report(name, partners[name], lines, at, ratio, baseline.methods[partners[name]].time_ratio, failures)
        )
    print("\n\n".join("\n".join(report_lines(report, wanted.least_effect)) for report in reports))
    if note:
        print("\n" + "\n".join(wrapped(note)))
    if wanted.junit is not None:
        wanted.junit.write_bytes(junit(reports))
    if wanted.report is not None:
        text = json.dumps([as_plain(report) for report in reports], indent=1)
        wanted.report.write_text(text + "\n", encoding="utf-8")
    return 0 if all(report.passes for report in reports) else 1


def _partner(baseline: Baseline, folder: Path, name: str, against: str | None) -> str:
    partner = against or name
    if partner not in baseline.methods:
        known = ", ".join(baseline.methods)
        raise YardError(f"{folder} has no answers of {partner!r} but of {known}; name one of them with --against")
    return partner


def _answers(
    recipes: Sequence[str], viewing: Any, specs: Sequence[str], workers: int | None
) -> tuple[list[FrameRow], Answers, float]:
    """Return frames in the order of the recipes, each detector's results in that order, and the reference time."""
    names = [load(spec).name for spec in specs]
    fingerprints(specs)
    scenes = [Scene.from_json(recipe) for recipe in recipes]
    jobs = [Job(scene.to_json(), scene.name.split("/")[0], tuple(specs), viewing) for scene in scenes]
    shape = scenes[0].shape
    frames: dict[str, FrameRow] = {}
    found: dict[tuple[str, str], ResultRow] = {}
    times = [reference_cpu_s(shape)]
    with tqdm(total=len(jobs) * len(specs), unit="look", desc="guard", file=sys.stderr) as bar:
        for frame, results in run_jobs(jobs, workers=workers or cores()):
            if frame is not None:
                frames[frame.scene] = frame
            found |= {(row.detector, row.scene): row for row in results}
            bar.update(len(results))
    times.append(reference_cpu_s(shape))
    digests = [scene.digest for scene in scenes]
    missing = [scene.name for scene, digest in zip(scenes, digests, strict=True) if digest not in frames]
    if missing:
        # All detectors took their processes down there; a job without any brings the frame.
        bare = [replace(job, detectors=()) for job in jobs]
        frames |= {row.scene: row for row, _ in run_jobs(bare, workers=workers or cores()) if row}
    answers = {name: [found[name, digest] for digest in digests] for name in names}
    return [frames[digest] for digest in digests], answers, statistics.fmean(times)


def _time(results: Sequence[ResultRow]) -> float:
    return statistics.median(row.cpu_s for row in results)


def _choice(file: Path | None, names: Sequence[str]) -> Choice | None:
    if file is None:
        return None
    choice = read_choice(file)
    if choice.method not in names:
        raise YardError(f"the thresholds in {file} are for {choice.method}, not for {', '.join(names)}")
    return choice


def _taking(choice: Choice) -> Measure:
    """Return the measure of what `find` would take: a frame finds its cell by aperture and texture."""

    def threshold(record: Record) -> float:
        cells = cells_for(choice, record.frame.f_number)
        number = nearest(record.frame.texture, cells)
        return cells[number].threshold if number < len(cells) else max(cell.threshold for cell in cells)

    return f1_at(threshold)


def _compared(old: Sequence[Record], results: Sequence[ResultRow], least: float, measure: Measure) -> tuple[Line, ...]:
    if any(row.problem is not None for row in results):
        return ()
    new = [Record(record.frame, result) for record, result in zip(old, results, strict=True)]
    return compare(old, new, least_effect=least, measure=measure)
