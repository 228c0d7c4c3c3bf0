"""`moteyard surveys`: judge surveys before and after simulated cleans by what really lay there."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import count

HELP = "judge surveys before and after simulated cleans by what really lay there"
AFTER = "what is finished is kept, and the same command goes on"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Render test frames of sensors before and after a simulated clean, survey them as `survey` does, and compare "
        "with the truth: how often a statement of cleanliness is false, which grains' fates were told rightly, and how "
        "far sizes, places, depths and the filter's distance are off."
    )
    parser.add_argument("suite", nargs="?", default="quick", help="a survey suite's name or a .toml file (quick)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="result folder (results/surveys-SUITE)")
    parser.add_argument("--workers", type=count, metavar="N", help="processes (one a core)")
    parser.add_argument(
        "--seeds", choices=("train", "develop", "report"), default="report", help="tune on develop only (report)"
    )


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..surveys.command import judge_surveys

    return judge_surveys(options.suite, out=options.out, workers=options.workers, namespace=options.seeds)
