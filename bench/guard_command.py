"""`moteyard guard`: make a baseline, or hold a detector against one."""

from __future__ import annotations

import json
import math
import statistics
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from tqdm import tqdm

from ..detectors.registry import load
from ..generators.scene import Scene
from .baseline import Baseline, FrameMark, MethodMark, read_baseline, write_baseline
from .cells import Record
from .engine import cores, run_jobs
from .errors import YardError
from .guard import Line, Verdict, compare
from .judge import Job
from .provenance import library_versions, machine
from .reference import reference_cpu_s
from .run import fingerprints
from .store import FrameRow, ResultRow
from .suite_file import load_suite, suite_text
from .terminal import failure_lines, share

Answers = dict[str, list[ResultRow]]


@dataclass(frozen=True, slots=True)
class Report:
    """One detector against the baseline.

    Attributes
    ----------
    detector, against
        Its name, and the name of the answers it is held against.
    lines
        Empty where it failed.
    time_ratio, time_before
        CPU time of a frame in reference workloads, now and in the baseline.
    failures
        Results that did not come.
    """

    detector: str
    against: str
    lines: tuple[Line, ...]
    time_ratio: float
    time_before: float
    failures: tuple[ResultRow, ...]

    @property
    def passes(self) -> bool:
        """Whether nothing failed and no line is worse."""
        return not self.failures and all(line.verdict is not Verdict.WORSE for line in self.lines)


def here() -> str:
    """Return what pixels depend on besides the recipe: libraries and machine."""
    return f"{library_versions()}; {machine()}"


def make_baseline(folder: Path, *, suite: str, detectors: Sequence[str], workers: int | None) -> int:
    """Render a suite, put detectors on it and write a baseline folder. Returns the exit status."""
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
    junit: Path | None = None
    report: Path | None = None


def guard(folder: Path, wanted: Wanted, *, workers: int | None) -> int:
    """Hold detectors against a baseline, print and write the outcome. Returns 0, or 1 if one is worse or failed."""
    baseline = read_baseline(folder)
    specs = list(wanted.detectors) or [mark.spec for mark in baseline.methods.values()]
    partners = {name: _partner(baseline, folder, name, wanted.against) for name in fingerprints(specs)}
    recipes = [frame.recipe for frame in baseline.frames]
    _check_recipes(recipes, folder)
    rows, answers, reference = _answers(recipes, baseline.suite.viewing, specs, workers)
    check_frames(baseline, rows, folder)
    reports = []
    for name, results in answers.items():
        old = baseline.records(partners[name], rows)
        lines = _compared(old, results, wanted.least_effect)
        failures = tuple(row for row in results if row.problem is not None)
        ratio = math.nan if failures else _time(results) / reference
        reports.append(
            Report(name, partners[name], lines, ratio, baseline.methods[partners[name]].time_ratio, failures)
        )
    print("\n\n".join("\n".join(report_lines(report, wanted.least_effect)) for report in reports))
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


def _check_recipes(recipes: Sequence[str], folder: Path) -> None:
    try:
        for recipe in recipes:
            Scene.from_json(recipe)
    except (ValueError, KeyError, TypeError) as error:
        raise YardError(f"{folder} holds recipes of another version ({error}); {_REMAKE}") from error


def check_frames(baseline: Baseline, rows: Sequence[FrameRow], folder: Path) -> None:
    """Stop where frames are not the baseline's: scores on others say nothing.

    Raises
    ------
    YardError
        If pixels or the number of shadows to find differ.
    """
    other = [mark.name for mark, row in zip(baseline.frames, rows, strict=True) if mark.pixels != row.pixels]
    if other:
        raise YardError(
            f"{len(other)} of {len(rows)} frames of {folder} render to other pixels than they did, {other[0]} first: "
            f"{_cause(baseline)}; {_REMAKE}"
        )
    other = [mark.name for mark, row in zip(baseline.frames, rows, strict=True) if mark.counted != row.counted]
    if other:
        raise YardError(f"{len(other)} frames of {folder} have other shadows to find, {other[0]} first; {_REMAKE}")


def _cause(baseline: Baseline) -> str:
    if baseline.versions == here():
        return "the generators have changed"
    return f"the generators have changed, or it is that the baseline was made with {baseline.versions}"


_REMAKE = "make a new baseline from the last version you trust with: moteyard guard --make"


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


def _compared(old: Sequence[Record], results: Sequence[ResultRow], least: float) -> tuple[Line, ...]:
    if any(row.problem is not None for row in results):
        return ()
    new = [Record(record.frame, result) for record, result in zip(old, results, strict=True)]
    return compare(old, new, least_effect=least)


def report_lines(report: Report, least_effect: float) -> list[str]:
    """Return one detector's table."""
    head = f"GUARD   {report.detector} against the baseline's {report.against}: "
    if report.failures:
        return [head + "FAILED", *failure_lines(report.failures)]
    lines = [head + ("passes" if report.passes else "WORSE")]
    lines.append(f"    {'':13}{'before':>7}{'after':>7}{'change':>9}  {'interval':<16}{'can tell':>9}")
    for line in report.lines:
        interval = f"{signed(line.difference.low)} … {signed(line.difference.high)}"
        text = f"    {line.ground[:12]:<13}{share(line.before):>7}{share(line.after):>7}"
        text += f"{signed(line.difference.estimate):>9}  {interval:<16}{share(line.resolution):>9}"
        lines.append(f"{text}  {line.verdict.value}")
    if any(line.verdict is Verdict.CANT_TELL for line in report.lines):
        lines.append("    can't tell: too few frames for so small an effect; it passes, but is no proof")
    lines.append("    change of average precision; the intervals hold together in 95 % of cases")
    lines.append(f"    worse: wholly below 0, and the change itself below −{least_effect:g}")
    change = report.time_ratio / report.time_before
    lines.append(f"    CPU time a frame: {report.time_ratio:.1f} FFT pairs, {change:.2f} × the baseline's")
    return lines


def signed(value: float) -> str:
    """Return a difference with its sign in five characters.

    >>> signed(-0.0214), signed(0.0), signed(float("nan"))
    ('−.021', '+.000', '  –')
    """
    if math.isnan(value):
        return "  –"
    return ("−" if value < 0 else "+") + share(abs(value)).strip()


def as_plain(report: Report) -> dict[str, Any]:
    """Return a report as JSON can hold it; nan is null."""
    lines = [
        {
            "ground": line.ground,
            "before": line.before,
            "after": line.after,
            **{key: value for key, value in asdict(line.difference).items() if key != "estimate"},
            "change": line.difference.estimate,
            "can_tell": line.resolution,
            "verdict": line.verdict.value,
        }
        for line in report.lines
    ]
    plain = {
        "detector": report.detector,
        "against": report.against,
        "passes": report.passes,
        "time_ratio": report.time_ratio,
        "time_ratio_before": report.time_before,
        "failures": [row.problem for row in report.failures],
        "lines": [{key: _null(value) for key, value in line.items()} for line in lines],
    }
    return {key: _null(value) for key, value in plain.items()}


def _null(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def junit(reports: Sequence[Report]) -> bytes:
    """Return the reports as JUnit XML: a case a detector and ground, a failure where it is worse or gave no answer."""
    suite = ElementTree.Element("testsuite", name="moteyard guard")
    for report in reports:
        for row in report.failures[:1]:
            case = ElementTree.SubElement(suite, "testcase", classname=report.detector, name="answers")
            ElementTree.SubElement(case, "failure", message=str(row.problem))
        for line in report.lines:
            case = ElementTree.SubElement(suite, "testcase", classname=report.detector, name=line.ground)
            text = f"{line.verdict.value}: {signed(line.difference.estimate)} average precision"
            kind = "failure" if line.verdict is Verdict.WORSE else "system-out"
            ElementTree.SubElement(case, kind, {"message": text} if kind == "failure" else {}).text = text
    cases, failures = suite.findall("testcase"), suite.findall("testcase/failure")
    suite.set("tests", str(len(cases)))
    suite.set("failures", str(len(failures)))
    return bytes(ElementTree.tostring(suite, encoding="utf-8", xml_declaration=True))
