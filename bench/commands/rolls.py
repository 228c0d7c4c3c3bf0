"""`moteyard rolls`: judge a method that looks at many photographs of one camera together."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import count

HELP = "judge a method that looks at many photographs of one camera together"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Render rolls of photographs that share their dust, give a method the first few, more each time, and compare "
        "what it finds with what an ideal observer could."
    )
    parser.add_argument("suite", nargs="?", default="quick", help="a roll suite's name or a .toml file (quick)")
    parser.add_argument("--detector", metavar="NAME", help="a registered detector or path/to/file.py:Class (consensus)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="result folder (results/rolls-SUITE)")
    parser.add_argument("--workers", type=count, metavar="N", help="processes (one a core)")
    parser.add_argument(
        "--seeds", choices=("train", "develop", "report"), default="report", help="tune on develop only (report)"
    )


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..roll_command import judge_rolls

    return judge_rolls(
        options.suite,
        detector=options.detector,
        out=options.out,
        workers=options.workers,
        namespace=options.seeds,
    )
