"""`moteyard surveys`: whether surveys of sensors before and after cleans tell the truth."""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import json
import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from ...generators.roll import Roll
from ..crew import THREAD_VARIABLES
from ..engine import cores
from ..held import Held, progress
from ..whole_file import whole_file
from .judge import judge_pair
from .outcome import Outcome
from .score import Score, scores
from .show import score_lines
from .suite import SurveySuite, load_survey_suite

STORE, TABLE, OBJECT, PICTURE = "pairs.jsonl", "surveys.csv", "surveys.json", "surveys.png"


def judge_surveys(spec: str, *, out: Path | None, workers: int | None, namespace: str = "report") -> int:
    """Survey a suite's sensors, print tables, write them and a picture. Returns the exit status."""
    suite = load_survey_suite(spec)
    folder = out or Path("results") / f"surveys-{suite.name}"
    held = held_pairs(folder / STORE, [suite.digest, namespace, code_digest()])
    outcomes = run_pairs(suite, held, workers=workers or cores(), namespace=namespace)
    found = scores(outcomes)
    write_table(folder / TABLE, found)
    with whole_file(folder / OBJECT) as path:
        path.write_text(json.dumps(as_object(suite, found), indent=1), encoding="utf-8")
    from ..report.survey_plot import write_survey_plot  # matplotlib is slow to import

    write_survey_plot(folder / PICTURE, outcomes, found)
    print("\n".join([f"surveys {suite.name} version {suite.version}: {suite.summary}", "", *score_lines(found)]))
    print(f"\nwritten to {folder}: {TABLE}, {OBJECT}, {PICTURE}")
    return 0


def code_digest() -> str:
    """Return sixteen hex digits of the code that an outcome follows from, beside the libraries'."""
    here = Path(__file__).parent
    folders = (here, here.parent / "field" / "survey", here.parents[1] / "detectors", here.parents[1] / "generators")
    files = sorted(path for folder in folders for path in folder.rglob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:16]


def held_pairs(path: Path, marks: Sequence[str]) -> Held[Outcome]:
    """Return what a file of pairs holds."""
    return Held(path, marks, kind=Outcome, holds="pairs of another suite or code")


def run_pairs(suite: SurveySuite, held: Held[Outcome], *, workers: int, namespace: str) -> list[Outcome]:
    """Return the outcomes of all pairs, kind by kind, those that are held already as they are."""
    made = list(suite.made(namespace))
    missing = [(kind, roll) for kind, roll in made if roll.digest not in held.found]
    if missing:
        _run(missing, held, workers=workers, name=suite.name)
    return [held.found[roll.digest] for label in suite.kinds for kind, roll in made if kind == label.label]


def _run(missing: Sequence[tuple[str, Roll]], held: Held[Outcome], *, workers: int, name: str) -> None:
    for variable in THREAD_VARIABLES:  # the workers are the parallelism
        os.environ.setdefault(variable, "1")
    # Fresh processes: OpenCV's threads do not survive a fork.
    pool = ProcessPoolExecutor(min(workers, len(missing)), multiprocessing.get_context("spawn"), initializer=_alone)
    jobs = [(kind, roll.to_json()) for kind, roll in missing]
    held.fill(judge_pair, jobs, pool=pool, bar=progress(len(jobs), unit="pair", name=name))


def _alone() -> None:
    from ...generators.cv import cv2

    cv2.setNumThreads(1)


_COUNTS = ("statements", "probes", "clear", "clear_11", "covered", "things")
_NUMBERS = ("limit_um", "share", "false_per_megapixel", "plain_false", "distance", "distance90")


def write_table(path: Path, found: Sequence[Score]) -> None:
    """Write a line a kind: counts with their trials and exact intervals, then numbers."""
    with whole_file(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        ends = [f"{name}{end}" for name in _COUNTS for end in ("", "_of", "_low", "_high")]
        writer.writerow(["kind", "surveys", *ends, *_NUMBERS])
        for one in found:
            row: list[str] = [one.kind, str(one.surveys)]
            for name in _COUNTS:
                share = getattr(one, name)
                row += [str(share.count), str(share.trials)]
                row += [f"{end:.4f}" for end in (share.interval.low, share.interval.high)]
            writer.writerow([*row, *(f"{getattr(one, name):.5g}" for name in _NUMBERS)])


def as_object(suite: SurveySuite, found: Sequence[Score]) -> dict[str, Any]:
    """Return the scores as JSON has them."""
    kinds = []
    for one in found:
        plain = {**dataclasses.asdict(one), "confusion": []}
        plain["confusion"] = [{"fate": f, "told": t, "grains": n} for (f, t), n in sorted(one.confusion.items())]
        kinds.append(plain)
    return {"suite": suite.name, "version": suite.version, "digest": suite.digest, "kinds": kinds}
