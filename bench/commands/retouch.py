"""`moteyard retouch`: repaired copies of real photographs, with a record of every repair."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..errors import YardError
from .words import positive

HELP = "make repaired copies of real photographs, with a record of every repair"
AFTER = "what is finished is kept, and the same command goes on"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Mend dust shadows in copies of photographs: JPEG, PNG and TIFF keep their depth, colour profile and "
        "metadata. Raw files are read only and get a record and a mask. Originals are only read."
    )
    parser.add_argument("photo", nargs="+", type=Path, help="JPEG, PNG, TIFF or raw files")
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument("--from", type=Path, dest="source", metavar="RESULT", help="a result folder or threshold file")
    choice.add_argument("--threshold", type=float, metavar="T", help="mend candidates that score above T")
    parser.add_argument("--detector", metavar="NAME", help="with --threshold: which method (matched)")
    parser.add_argument(
        "--roll", action="store_true",
        help="the photographs are of one camera: add up what all of them say of each grain (--threshold is optional)",
    )  # fmt: skip
    parser.add_argument(
        "--test-frames", nargs="+", type=Path, metavar="FRAME",
        help="test frames of the same camera, see moteyard survey: mend what they foretell, measured again in each "
        "photograph",
    )  # fmt: skip
    parser.add_argument(
        "--repair", default="flat-field", metavar="NAME",
        help="a registered repair or path/to/file.py:Class (flat-field)",
    )  # fmt: skip
    parser.add_argument("--f-number", type=positive, metavar="N", help="where the file does not say")
    parser.add_argument(
        "--filter-distance", type=positive, metavar="MM",
        help="air-equivalent distance from the dust to the photosites (the one that fits best)",
    )  # fmt: skip
    parser.add_argument("--linear", action="store_true", help="write a linear 16-bit TIFF for each raw file")
    parser.add_argument("--dry-run", action="store_true", help="say what would be mended and write nothing")
    parser.add_argument("--out", type=Path, default=Path("retouched"), metavar="DIR", help="where to write (retouched)")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..retouch.photographs import Wish, retouch

    wish = Wish(
        repair=options.repair,
        out=options.out,
        f_number=options.f_number,
        filter_distance_mm=options.filter_distance,
        dry_run=options.dry_run,
        linear=options.linear,
    )
    if options.test_frames:
        if options.roll or options.source or options.detector or options.threshold is not None:
            raise YardError(
                "--test-frames tells where the dust lies: leave --roll, --from, --threshold and --detector out"
            )
        from ..retouch.by_survey import retouch_by_survey

        return retouch_by_survey(options.photo, options.test_frames, wish)
    if options.roll:
        if options.source is not None or options.detector is not None:
            raise YardError("--roll has a method of its own: leave --from and --detector out")
        from ..retouch.roll import retouch_roll

        return retouch_roll(options.photo, wish, threshold=options.threshold)
    from ..field.find import make_judge
    from ..retouch.plan import judge_planner, judge_words

    judge = make_judge(options.source, detector=options.detector, threshold=options.threshold)
    return retouch(options.photo, wish, plan=judge_planner(judge, wish.filter_distance_mm), settings=judge_words(judge))
