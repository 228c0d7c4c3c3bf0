"""`moteyard guard`: fail where a detector got worse than a baseline."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import count, part

HELP = "fail where a detector got worse than a baseline"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Render a baseline's frames again, put detectors on them and compare with the baseline's answers, frame by "
        "frame. Status 0: not worse; 1: worse, or failed; 2: the baseline can't be used."
    )
    task = parser.add_mutually_exclusive_group(required=True)
    task.add_argument("--baseline", type=Path, metavar="DIR", help="compare with the baseline in this folder")
    task.add_argument("--make", type=Path, metavar="DIR", help="make a baseline in this folder instead")
    parser.add_argument(
        "--detector", action="append", default=[], metavar="NAME",
        help="a registered detector or path/to/file.py:Class; repeat it for several (all of the baseline)",
    )  # fmt: skip
    parser.add_argument("--against", metavar="NAME", help="whose answers to compare with (those of the same name)")
    parser.add_argument("--least-effect", type=part, default=0.02, metavar="E", help="drop that matters (0.02)")
    parser.add_argument(
        "--threshold-file", type=Path, metavar="FILE", help="compare also what find would take by these thresholds"
    )
    parser.add_argument("--suite", default="guard", help="with --make: a suite's name or a .toml file (guard)")
    parser.add_argument("--junit", type=Path, metavar="FILE", help="write the outcome as JUnit XML")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the outcome as JSON")
    parser.add_argument("--workers", type=count, metavar="N", help="processes (one a core)")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..guard_command import Wanted, guard, make_baseline

    if options.make is not None:
        detectors = options.detector or ["matched", "dog", "network"]
        return make_baseline(options.make, suite=options.suite, detectors=detectors, workers=options.workers)
    wanted = Wanted(
        detectors=options.detector,
        against=options.against,
        least_effect=options.least_effect,
        thresholds=options.threshold_file,
        junit=options.junit,
        report=options.json,
    )
    return guard(options.baseline, wanted, workers=options.workers)
