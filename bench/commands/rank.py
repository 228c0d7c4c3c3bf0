"""`moteyard rank`: render a suite, judge detectors on it, rank them (the main job)."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import count, detectors

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
    parser.add_argument("--json", action="store_true", help="print the answer as one JSON object instead of tables")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..rank_command import rank, show  # each command pays for its own imports only

    ranked = rank(
        options.suite,
        photos=options.photos,
        detectors=options.detector,
        out=options.out,
        workers=options.workers,
    )
    return show(ranked, as_object=options.json)
