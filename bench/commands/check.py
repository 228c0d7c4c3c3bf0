"""`moteyard check`: try one detector before it is ranked."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import count

HELP = "try one detector: its manners, and a page of its hits, misses and false alarms"
AFTER = "nothing is written"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Run the contract's checks on one detector, say what fails and how to mend it, put it on a few frames and "
        "write a page of what it found, missed and took for dust. Status 1: the contract is broken."
    )
    parser.add_argument("detector", help="path/to/file.py:Class, a registered name or calibration.json")
    parser.add_argument(
        "--suite", default="guard", help="frames to judge it on: a suite's name or a .toml file (guard)"
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="the page (check-NAME.html, numbered)")
    parser.add_argument("--workers", type=count, metavar="N", help="processes (one a core)")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..check_command import check

    return check(options.detector, suite=options.suite, out=options.out, workers=options.workers)
