"""`moteyard repairs`: judge ways to mend spots against the clean originals."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import count, positive

HELP = "judge ways to mend spots, and whole pipelines, against the clean originals"
AFTER = "what is finished is kept, and the same command goes on"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Mend the spots of a suite's frames by each repair and compare with the same frames without dust: what is "
        "still seen, what was harmed, what became of the texture; and what whole pipelines cost."
    )
    parser.add_argument("suite", nargs="?", default="quick", help="a suite's name or a .toml file (quick)")
    parser.add_argument(
        "--repair", action="append", default=[], metavar="NAME",
        help="a registered repair or path/to/file.py:Class; repeat it for several (all registered)",
    )  # fmt: skip
    parser.add_argument(
        "--detector", action="append", default=[], metavar="NAME",
        help="a registered detector or path/to/file.py:Class; repeat it for several (matched)",
    )  # fmt: skip
    parser.add_argument("--frames", type=count, metavar="N", help="only the first N frames of each cell")
    parser.add_argument(
        "--hand", type=positive, metavar="H",
        help="your assumption: a spot mended by hand costs as much as H clean places harmed (option left out)",
    )  # fmt: skip
    parser.add_argument("--out", type=Path, metavar="DIR", help="result folder (results/repairs-SUITE)")
    parser.add_argument("--workers", type=count, metavar="N", help="processes (one a core)")
    parser.add_argument(
        "--seeds", choices=("train", "develop", "report"), default="report", help="tune on develop only (report)"
    )


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..retouch.repairs_command import Asked, judge_repairs

    asked = Asked(
        detectors=tuple(options.detector),
        repairs=tuple(options.repair),
        frames=options.frames,
        hand=options.hand,
        namespace=options.seeds,
    )
    return judge_repairs(options.suite, asked, out=options.out, workers=options.workers)
