"""`moteyard rolls`: how much more many photographs of one dusty camera tell than one."""

from __future__ import annotations

import csv
import multiprocessing
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from tqdm import tqdm

from ..detectors.registry import load
from .roll_judge import FALSE_ALARMS, Reading, RollScore, judge_roll, readings
from .roll_suite import RollSuite, load_roll_suite
from .share_word import share_word

DEFAULT_DETECTOR = "consensus"


def judge_rolls(
    spec: str, *, detector: str | None, out: Path | None, workers: int | None, namespace: str = "report"
) -> int:
    """Render a suite of rolls, judge a method on it, print a table, write it and a plot. Returns the exit status."""
    suite, method = load_roll_suite(spec), detector or DEFAULT_DETECTOR
    load(method)  # a wrong name is said before anything is rendered
    scores = run_rolls(suite, method, workers=workers or os.cpu_count() or 1, namespace=namespace)
    shown = readings(scores)
    folder = out or Path("results") / f"rolls-{suite.name}"
    folder.mkdir(parents=True, exist_ok=True)
    write_table(folder / "rolls.csv", shown)
    from .report.roll_plot import write_roll_plot  # matplotlib is slow to import

    write_roll_plot(folder / "rolls.png", scores, shown, method=method)
    print("\n".join([f"rolls {suite.name} version {suite.version}: {suite.summary}", "", *table_lines(shown, method)]))
    print(f"\nwritten to {folder}: rolls.csv, rolls.png")
    return 0


def run_rolls(suite: RollSuite, method: str, *, workers: int, namespace: str) -> list[RollScore]:
    """Return the scores of all rolls of a suite, in the suite's order whatever the order of their finishing."""
    made = list(suite.made(namespace))
    found: dict[int, list[RollScore]] = {}
    # Fresh processes: OpenCV's threads do not survive a fork.
    with ProcessPoolExecutor(min(workers, len(made)), multiprocessing.get_context("spawn")) as pool:
        jobs = {
            pool.submit(judge_roll, label, roll, method, counts=suite.counts): place
            for place, (label, roll) in enumerate(made)
        }
        for job in tqdm(as_completed(jobs), total=len(jobs), unit="roll", desc=suite.name, file=sys.stderr):
            found[jobs[job]] = job.result()
    return [score for place in sorted(found) for score in found[place]]


def table_lines(shown: Sequence[Reading], method: str) -> list[str]:
    """Return the table for the terminal."""
    lines = [
        f"share of all grains that {method} finds at {FALSE_ALARMS:g} false alarm a roll or fewer",
        f"{'rolls':<38}{'photographs':>12}{'grains':>8}{'found':>8}{'ideal':>8}{'score >':>9}",
    ]
    before = ""
    for one in shown:
        name = one.kind if one.kind != before else ""
        before = one.kind
        found, ideal = (f"{share_word(value, 2):>8}" for value in (one.recall, one.ideal))
        numbers = f"{one.count:>12}{one.grains:>8}{found}{ideal}{one.threshold:>9.1f}"
        lines.append(f"{name:<38}{numbers}")
    lines.append("ideal: grains that a linear observer who knows shape, place and the ground's spectrum is sure of")
    return lines


def write_table(path: Path, shown: Sequence[Reading]) -> None:
    """Write the readings as CSV, a line each."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["rolls", "photographs", "grains", "recall", "ideal", "threshold"])
        for one in shown:
            numbers = [f"{value:.4f}" for value in (one.recall, one.ideal, one.threshold)]
            writer.writerow([one.kind, one.count, one.grains, *numbers])
