"""`moteyard rank`: render a suite, judge detectors on it, rank them (the main job)."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from .words import count, detectors, positive

if TYPE_CHECKING:
    from ..kept_answer import Question
    from ..told import Told

HELP = "render a suite, judge detectors on it, rank them (the main job)"
AFTER = "what is finished is kept, and the same command goes on"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = "Render a suite, put detectors on it, score them against the truth and rank them."
    parser.add_argument("suite", nargs="?", default="standard", help="a suite's name or a .toml file (standard)")
    parser.add_argument("--photos", type=Path, metavar="DIR", help="your own clean pictures as one more ground")
    detectors(parser)
    parser.add_argument("--out", type=Path, metavar="DIR", help="result folder (results/SUITE)")
    parser.add_argument("--workers", type=count, metavar="N", help="processes (one a core)")
    parser.add_argument(
        "--scheduler", metavar="ADDRESS",
        help="address of a dask scheduler, as tcp://HOST:8786, whose workers do it instead",
    )  # fmt: skip
    parser.add_argument(
        "--memory", type=positive, metavar="GB",
        help="memory that a detector may take for one frame (its worker's part of 80 %% of the machine's)",
    )  # fmt: skip
    parser.add_argument(
        "--time-limit", type=positive, metavar="S", default=120.0, help="seconds that it may take (120)"
    )
    parser.add_argument("--json", action="store_true", help="print the answer as one JSON object instead of tables")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status: 1 if the board lacks frames."""
    from ..errors import YardError
    from ..kept_answer import Question, kept

    if options.scheduler is not None and options.workers is not None:
        raise YardError("--workers are this machine's and --scheduler has its own; give one of the two")
    question = Question(options.suite, options.photos, tuple(options.detector), options.out)
    told = kept(question) or _made(question, options)
    for note in told.notes:
        print(f"moteyard: {note}", file=sys.stderr)
    print(told.object if options.json else told.text)
    if told.missing:
        print(told.missing, file=sys.stderr)
    return 1 if told.missing else 0


def _made(question: Question, options: argparse.Namespace) -> Told:
    from ..allowance import Allowance  # slow to import: statistics, renderer, plots
    from ..rerun import rank
    from ..run import Means

    allowance = Allowance(time_s=options.time_limit, memory_gb=options.memory)
    return rank(question, means=Means(options.workers, options.scheduler, allowance))
