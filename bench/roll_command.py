"""`moteyard rolls`: how much more many photographs of one dusty camera tell than one."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

from .export import write_csv
from .roll_reading import readings
from .roll_run import fill_rolls, stored_scores
from .roll_suite import load_roll_suite
from .roll_told import answer_object, contrast_table, cost_line, reading_table, roll_failures, told_lines
from .run import Means, fingerprints
from .whole_file import whole_file

DEFAULT_DETECTORS = ("consensus", "together")


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: a roll suite by name or file, which methods, the default ones for none, on which seeds."""

    suite: str
    detectors: tuple[str, ...] = ()
    seeds: str = "report"


def judge_rolls(question: Question, *, out: Path | None, means: Means, as_object: bool = False) -> int:
    """Judge methods on a suite of rolls, print tables, write them and a plot.

    Returns the exit status: 1 if a method failed on a roll.
    """
    suite, specs = load_roll_suite(question.suite), list(question.detectors or DEFAULT_DETECTORS)
    namespace = question.seeds
    folder = out or _default_folder(suite.name, namespace)
    store = fill_rolls(folder, suite, specs, namespace=namespace, means=means)
    try:
        scores, failures = stored_scores(store, suite, fingerprints(specs), namespace=namespace)
    finally:
        store.close()
    shown, contrasts = readings(scores)
    card = {"suite": suite.name, "suite_version": suite.version, "suite_digest": suite.digest, "seeds": namespace}
    told = json.dumps(answer_object(card, shown, contrasts, failures), indent=1, ensure_ascii=False, allow_nan=False)
    written = ["rolls.json"]
    with whole_file(folder / "rolls.json") as scratch:
        scratch.write_text(told + "\n", encoding="utf-8")
    if shown:
        from .report.roll_plot import write_roll_plot  # matplotlib is slow to import

        write_csv(reading_table(shown), folder / "rolls.csv")
        write_csv(contrast_table(contrasts), folder / "differences.csv")
        write_roll_plot(folder / "rolls.png", scores, shown)
        written = ["rolls.png", "rolls.svg", "rolls.csv", "differences.csv", *written]
    if as_object:
        print(told)
    else:
        head = f"rolls {suite.name} version {suite.version}: {suite.summary}"
        body = [*told_lines(shown, contrasts), cost_line(scores)] if shown else []
        print("\n".join([head, "", *body, f"written to {folder}: {', '.join(written)}"]))
    if failures:
        print("\n".join(roll_failures(failures)), file=sys.stderr)
    return 1 if failures else 0


def _default_folder(name: str, namespace: str) -> Path:
    return Path("results") / (f"rolls-{name}" if namespace == "report" else f"rolls-{name}-{namespace}")
