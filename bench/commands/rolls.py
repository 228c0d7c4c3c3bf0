"""`moteyard rolls`: judge methods that look at many photographs of one camera together."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import count, positive

HELP = "judge methods that look at many photographs of one camera together"
AFTER = "what is finished is kept, and the same command goes on"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Render rolls of photographs that share their dust, give methods the first few, more each time, and compare "
        "what they find at one false alarm a roll with what an ideal observer could, with intervals over rolls."
    )
    parser.add_argument("suite", nargs="?", default="quick", help="a roll suite's name or a .toml file (quick)")
    parser.add_argument(
        "--detector", action="append", default=[], metavar="NAME",
        help="a registered detector or path/to/file.py:Class; repeatable, compared in pairs (consensus and together)",
    )  # fmt: skip
    parser.add_argument("--out", type=Path, metavar="DIR", help="result folder (results/rolls-SUITE)")
    parser.add_argument("--workers", type=count, metavar="N", help="processes (one a core)")
    parser.add_argument(
        "--memory", type=positive, metavar="GB",
        help="memory that a detector may take for one roll (its worker's part of 80 %% of the machine's)",
    )  # fmt: skip
    parser.add_argument(
        "--time-limit", type=positive, metavar="S", default=120.0, help="seconds that it may take a photograph (120)"
    )
    parser.add_argument(
        "--seeds", choices=("train", "develop", "report"), default="report", help="tune on develop only (report)"
    )
    parser.add_argument("--json", action="store_true", help="print the answer as one JSON object instead of tables")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..allowance import Allowance
    from ..roll_command import Question, judge_rolls
    from ..run import Means

    allowance = Allowance(time_s=options.time_limit, memory_gb=options.memory)
    return judge_rolls(
        Question(options.suite, tuple(options.detector), options.seeds),
        out=options.out,
        means=Means(options.workers, allowance=allowance),
        as_object=options.json,
    )
