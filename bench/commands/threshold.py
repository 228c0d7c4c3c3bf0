"""`moteyard threshold`: choose a threshold from a result, with a guarantee."""

from __future__ import annotations

import argparse
from pathlib import Path

from .words import part, whole

HELP = "choose a threshold from a result, with a guarantee"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Choose, on half of a result's frames, the lowest threshold that keeps false alarms rare, ground by "
        "ground, and try it on the other half."
    )
    parser.add_argument("result", type=Path, help="a folder that rank wrote")
    parser.add_argument("--detector", metavar="NAME", help="which method (the best over all grounds)")
    parser.add_argument("--at-most", type=whole, default=1, metavar="M", help="false alarms a frame may carry (1)")
    parser.add_argument("--share", type=part, default=0.9, help="share of frames that keep to it (0.9)")
    parser.add_argument("--confidence", type=part, default=0.95, help="confidence in that (0.95)")
    parser.add_argument("--out", type=Path, metavar="FILE", help="where to write it (RESULT/threshold.json)")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..choice import Wish
    from ..rank_command import choose_threshold

    wish = Wish(most=options.at_most, share=options.share, confidence=options.confidence)
    return choose_threshold(options.result, detector=options.detector, wish=wish, out=options.out)
