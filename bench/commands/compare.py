"""`moteyard compare`: what changed from one result to another, and where."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import part

HELP = "what changed from one result to another, and where"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Compare the methods of two results of one suite, paired by frame: average precision per ground and aperture "
        "with intervals, the frames that changed most, time, and what may be trusted. Writes a page into the second."
    )
    parser.add_argument("before", type=Path, help="a folder that rank wrote")
    parser.add_argument("after", type=Path, help="another one")
    parser.add_argument("--least-effect", type=part, default=0.02, metavar="E", help="difference that matters (0.02)")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of tables")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..compare_command import show_comparison

    return show_comparison(options.before, options.after, least_effect=options.least_effect, as_object=options.json)
