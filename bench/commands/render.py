"""`moteyard render`: write a suite's labelled frames to disk."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import count

HELP = "write a suite's labelled frames to disk"
AFTER = "what is finished is kept; go on with another --out"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = "Write a suite's frames as PNG with their truth (COCO JSON and CSV)."
    parser.add_argument("suite", nargs="?", default="quick", help="a suite's name or a .toml file (quick)")
    parser.add_argument("--out", type=Path, default=Path("frames"), metavar="DIR", help="where to write (frames)")
    parser.add_argument("--photos", type=Path, metavar="DIR", help="your own clean pictures as one more ground")
    parser.add_argument("--limit", type=count, metavar="N", help="only the first N frames of each cell")
    parser.add_argument(
        "--seeds", choices=("train", "develop", "report"), default="develop",
        help="which seeds; methods are judged on report (develop)",
    )  # fmt: skip
    parser.add_argument(
        "--scenario", metavar="NAME",
        help="instead of a suite a worked case: test frames before and after cleans, photographs between (coast-path)",
    )  # fmt: skip
    parser.add_argument(
        "--sheet", type=Path, metavar="FILE",
        help="instead of frames one picture: each kind of dust at each aperture, each background clean and dusty",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..render_command import render_sheet, render_suite

    if options.scenario is not None:
        from ..scenario import render_scenario

        return render_scenario(options.scenario, out=options.out)
    if options.sheet is not None:
        return render_sheet(options.sheet)
    return render_suite(
        options.suite, out=options.out, photos=options.photos, limit=options.limit, namespace=options.seeds
    )
