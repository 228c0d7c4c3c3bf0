"""`moteyard repairs`: repairs, and whole pipelines of detector, threshold and repair, judged against the originals."""

from __future__ import annotations

import csv
import math
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from ...detectors.registry import fingerprint
from ...detectors.registry import load as load_detector
from ...generators.scene import Scene
from ..engine import cores
from ..held import Held, progress
from ..interval import Interval
from ..repairs.registry import load, names
from ..suite import Suite
from ..suite_file import load_suite
from ..terminal import WIDTH
from .outcome import KNOWN, KNOWN_SIZES, FrameOutcome, Task, run_task
from .pipelines import Price, Region, RepairLine, prices, regions, repair_line
from .repair_plot import write_repair_plot

STORE = "outcomes.jsonl"

DEFAULT_DETECTOR = "matched"


@dataclass(frozen=True, slots=True)
class Asked:
    """What the user asked for.

    Attributes
    ----------
    detectors, repairs
        Names or ``path/to/file.py:Class``; none stands for `DEFAULT_DETECTOR` and all registered repairs.
    frames
        Only the first so many of each cell; None takes all.
    hand
        What a spot mended by hand costs in harmed places; None leaves that option out.
    namespace
        Of the seeds.
    """

    detectors: tuple[str, ...] = ()
    repairs: tuple[str, ...] = ()
    frames: int | None = None
    hand: float | None = None
    namespace: str = "report"


def judge_repairs(spec: str, asked: Asked, *, out: Path | None, workers: int | None) -> int:
    """Judge repairs on a suite, print two tables, write them and a plot. Returns the exit status."""
    suite = load_suite(spec)
    repairs = asked.repairs or tuple(names())
    detectors = (KNOWN, KNOWN_SIZES, *(asked.detectors or (DEFAULT_DETECTOR,)))
    marks = [fingerprint(load(name)) for name in repairs]
    marks += [fingerprint(load_detector(name)) for name in detectors[2:]]
    folder = out or Path("results") / f"repairs-{suite.name}"
    tasks = _tasks(suite, detectors, repairs, asked)
    other = "outcomes of another suite, detector or repair"
    held = Held(folder / STORE, [suite.digest, asked.namespace, *marks], kind=FrameOutcome, holds=other)
    found = _run(tasks, held, workers=workers or cores(), name=suite.name)
    by_ground = [[f for f in found if f.ground == ground] for ground in dict.fromkeys(f.ground for f in found)]
    lines = [line for here in by_ground for line in _repair_lines(here)]
    paid = [price for here in by_ground for price in prices(_without_known(here), hand=asked.hand)]
    _write(folder, lines, paid)
    write_repair_plot(folder / "repairs.png", paid)
    print("\n".join(_shown(suite, lines, paid, hand=asked.hand)))
    print(f"\nwritten to {folder}: repairs.csv, pipelines.csv, repairs.png")
    return 0


def _tasks(suite: Suite, detectors: tuple[str, ...], repairs: tuple[str, ...], asked: Asked) -> list[Task]:
    return [
        Task(scene.to_json(), scene.name.split("/")[0], detectors, repairs, suite.viewing)
        for scene in suite.scenes(asked.namespace)
        if asked.frames is None or int(scene.name.rpartition("/")[2]) < asked.frames
    ]


def _run(tasks: Sequence[Task], held: Held[FrameOutcome], *, workers: int, name: str) -> list[FrameOutcome]:
    """Return the outcomes of all tasks in their order, those that are there already as they are."""
    digests = [Scene.from_json(task.scene).digest for task in tasks]
    missing = [task for task, digest in zip(tasks, digests, strict=True) if digest not in held.found]
    if missing:
        # Fresh processes: OpenCV's threads do not survive a fork.
        pool = ProcessPoolExecutor(min(workers, len(missing)), multiprocessing.get_context("spawn"))
        jobs = [(task,) for task in missing]
        held.fill(run_task, jobs, pool=pool, bar=progress(len(jobs), unit="frame", name=name))
    return [held.found[digest] for digest in digests]


def _repair_lines(here: Sequence[FrameOutcome]) -> list[RepairLine]:
    """Return the lines of one ground, each repair over all f-numbers and then at each."""
    lines = []
    for detector, repair in _known_pipelines(here):
        lines.append(repair_line(here, detector, repair, f_number=math.nan))
        for number in sorted({frame.f_number for frame in here}):
            cell = [frame for frame in here if frame.f_number == number]
            lines.append(repair_line(cell, detector, repair, f_number=number))
    return lines


def _known_pipelines(frames: Sequence[FrameOutcome]) -> list[tuple[str, str]]:
    """Return the repairs on known spots; sizes matter to those that answered otherwise with them."""
    by: dict[tuple[str, str], list[float]] = {}
    for frame in frames:
        for o in frame.outcomes:
            if o.detector in (KNOWN, KNOWN_SIZES):
                by.setdefault((o.detector, o.repair), []).append(o.after)
    return [key for key in sorted(by) if key[0] == KNOWN or by[key] != by[KNOWN, key[1]]]


def _without_known(frames: Sequence[FrameOutcome]) -> list[FrameOutcome]:
    return [replace(f, outcomes=tuple(o for o in f.outcomes if o.detector not in (KNOWN, KNOWN_SIZES))) for f in frames]


def _write(folder: Path, lines: Sequence[RepairLine], paid: Sequence[Price]) -> None:
    measures = ("residual", "residual_shallow", "still_seen", "texture", "harmed", "marred")
    with (folder / "repairs.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        ends = [f"{name}{end}" for name in measures for end in ("", "_low", "_high")]
        writer.writerow(["ground", "f_number", "spots_given", "repair", "spots", *ends])
        for line in lines:
            spans: list[Interval] = [getattr(line, name) for name in measures]
            numbers = [f"{v:.5g}" for span in spans for v in (span.estimate, span.low, span.high)]
            number = "all" if math.isnan(line.f_number) else f"{line.f_number:g}"
            writer.writerow([line.ground, number, line.detector, line.repair, line.spots, *numbers])
    with (folder / "pipelines.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, list(Price.__dataclass_fields__))
        table.writeheader()
        table.writerows({k: f"{v:.5g}" if isinstance(v, float) else v for k, v in asdict(one).items()} for one in paid)


def _shown(suite: Suite, lines: Sequence[RepairLine], paid: Sequence[Price], *, hand: float | None) -> list[str]:
    text = [f"{suite.name} version {suite.version}: {suite.summary}"]
    grounds = list(dict.fromkeys(line.ground for line in lines))
    for ground in grounds:
        here = [line for line in lines if line.ground == ground and math.isnan(line.f_number)]
        text += ["", f"{ground.upper()}   {here[0].spots} visible spots, places known"]
        text.append(
            f"{'repair':<20}{'residual':<17}{'<60 % deep':>10}{'seen':>7}{'texture':>9}{'harmed':>9}{'marred':>8}"
        )
        text += [_row(line) for line in sorted(here, key=lambda line: line.residual.estimate)]
    text += ["", *_LEGEND, "", "BEST PIPELINE by the price of a spot left, in clean places harmed"]
    for ground in grounds:
        best = regions([price for price in paid if price.ground == ground])
        text += [_region_row(region, first=number == 0) for number, region in enumerate(best)]
    if hand is None:
        text.append("mending by hand is not among them: say what a spot costs with --hand H")
    return text


def _row(line: RepairLine) -> str:
    name = line.repair + (" + sizes" if line.detector == KNOWN_SIZES else "")
    span = f"{line.residual.estimate:.2f} ({line.residual.low:.2f}–{line.residual.high:.2f})"
    return (
        f"{name:<20}{span:<17}{line.residual_shallow.estimate:>10.2f}{line.still_seen.estimate:>7.2f}"
        f"{line.texture.estimate:>9.2f}{100 * line.harmed.estimate:>7.3f} %"
        f"{line.marred.estimate:>8.2f}"
    )


_LEGEND = (
    "residual: of what an observer sees of the spots (contrast over its threshold,",
    "raised by the ground's texture), the share that is seen afterwards, with its",
    "95 % interval over scenes. seen: share of spots still seen. texture: its variance",
    "inside over the original's. harmed: clean pixels changed by ΔE00 > 1. marred: of",
    "the detectors' candidates where nothing was seen, those seen once mended. + sizes:",
    "the grains' sizes known to one part in 25, as many photographs tell them.",
)


def _region_row(region: Region, *, first: bool) -> str:
    span = f"{region.low:.2g}" if region.low == region.high else f"{region.low:.2g}–{region.high:.2g}"
    price = region.price
    line = f"{region.ground if first else '':<8}{span:>9}  {region.pipeline:<28}"
    return (line + f"{price.left:.1f} left, {price.harmed:.2f} harmed a frame")[: WIDTH + 8]
