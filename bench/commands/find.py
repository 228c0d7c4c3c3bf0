"""`moteyard find`: look for dust shadows in real photographs."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..errors import YardError
from .words import positive

HELP = "look for dust shadows in real photographs"
AFTER = "what is finished is kept; go on with the photographs that are left"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = "Look for dust shadows in real photographs. Originals are only read."
    parser.add_argument("photo", nargs="+", type=Path, help="JPEG, PNG, TIFF, HEIC or raw files")
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument("--from", type=Path, dest="source", metavar="RESULT", help="a result folder or threshold file")
    choice.add_argument("--threshold", type=float, metavar="T", help="take candidates that score above T")
    parser.add_argument("--detector", metavar="NAME", help="with --threshold: which method, or a calibration (matched)")
    parser.add_argument(
        "--roll", action="store_true",
        help="the photographs are of one camera: add up what all of them say of each place (--threshold is optional)",
    )  # fmt: skip
    parser.add_argument("--f-number", type=positive, metavar="N", help="where the file does not say")
    parser.add_argument("--out", type=Path, default=Path("found"), metavar="DIR", help="where to write (found)")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    if options.roll:
        return _roll(options)
    from ..field.find import find, make_judge

    judge = make_judge(options.source, detector=options.detector, threshold=options.threshold)
    return find(options.photo, judge, f_number=options.f_number, out=options.out)


def _roll(options: argparse.Namespace) -> int:
    from ..field.roll_find import find_roll

    if options.source is not None or options.detector is not None:
        raise YardError("--roll has a method of its own: leave --from and --detector out")
    return find_roll(options.photo, threshold=options.threshold, f_number=options.f_number, out=options.out)
