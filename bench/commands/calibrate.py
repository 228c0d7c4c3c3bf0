"""`moteyard calibrate`: make a detector's scores probabilities."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import count

HELP = "make a detector's scores probabilities, and see whether they hold"
AFTER = "nothing is written; run it again"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Fit monotone maps from a detector's score to the probability of dust on a suite's train seeds, and judge them "
        "on others. The file can be named wherever a detector can: rank, find, check."
    )
    parser.add_argument("suite", nargs="?", default="quick", help="a suite's name or a .toml file (quick)")
    parser.add_argument(
        "--detector", default="matched", metavar="NAME", help="a registered detector or path/to/file.py:Class (matched)"
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="the file (NAME.calibration.json); a .png beside it")
    parser.add_argument("--workers", type=count, metavar="N", help="processes (one a core)")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..calibrate_command import calibrate

    return calibrate(options.suite, detector=options.detector, out=options.out, workers=options.workers)
