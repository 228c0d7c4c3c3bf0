"""`moteyard survey`: what lies on a sensor, where to look for it, and whether a clean helped."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from ..errors import YardError
from .words import positive

HELP = "survey a sensor by test frames; compare before and after a clean; follow dust over many surveys"
AFTER = "nothing was written; run it again"
"""What an interrupted user is told."""


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Survey a camera's sensor by test frames: a bright plain screen or wall filling the frame, lens focused at "
        "infinity, smallest aperture, base ISO, brightest part just below clipping; two frames or more, with the "
        "camera or the screen moved between them. Originals are only read."
    )
    parser.add_argument("testframe", nargs="*", type=Path, help="test frames of one lens and aperture")
    parser.add_argument("--before", nargs="+", type=Path, metavar="FRAME", help="test frames before a clean")
    parser.add_argument("--after", nargs="+", type=Path, dest="cleaned", metavar="FRAME", help="test frames after it")
    parser.add_argument(
        "--cleaned-by", choices=("shake", "blower", "swab", "dry-swab"), metavar="HOW",
        help="what was done between them: shake, blower, swab or dry-swab; the next step goes by it",
    )  # fmt: skip
    parser.add_argument("--sensor", type=_size, metavar="36x24", help="the sensor's size in mm, where files don't tell")
    parser.add_argument("--f-number", type=positive, metavar="N", help="where the files do not say")
    parser.add_argument(
        "--distance", type=positive, metavar="MM",
        help="air-equivalent distance from the filter's face to the photosites, where it is known (estimated)",
    )  # fmt: skip
    parser.add_argument(
        "--taken",
        type=_date,
        metavar="DATE",
        help="when they were taken, like 2026-05-31, where files don't tell",
    )
    parser.add_argument(
        "--history", type=Path, metavar="FOLDER",
        help="instead of test frames: how dust grew over all surveys that --out left in this folder",
    )  # fmt: skip
    parser.add_argument("--out", type=Path, metavar="DIR", help="where to write (survey, or with --history history)")


def _size(text: str) -> tuple[float, float]:
    parts = text.lower().replace("×", "x").split("x")
    if len(parts) != 2:
        raise argparse.ArgumentTypeError(f"{text!r} is not a width and a height in mm, like 36x24")
    return positive(parts[0]), positive(parts[1])


def _date(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date like 2026-05-31 or 2026-05-31T14:30") from None


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    if options.history is not None:
        return _history(options)
    from ..field.survey.command import Asked, survey_sensor

    out = options.out or Path("survey")
    asked = Asked(options.sensor, options.f_number, options.distance, options.taken)
    if bool(options.before) != bool(options.cleaned):
        raise YardError("--before and --after go together: give test frames of both")
    if options.before:
        if options.testframe:
            raise YardError("give test frames either alone or as --before and --after")
        from ..field.survey.clean import compare_cleans
        from ..field.survey.next_step import NAMED

        last = NAMED.get(options.cleaned_by)
        return compare_cleans(options.before, options.cleaned, asked, last=last, out=out)
    if not options.testframe:
        raise YardError("give test frames, best two or more; moteyard survey --help says how to take them")
    if options.cleaned_by:
        raise YardError("--cleaned-by goes with --before and --after")
    return survey_sensor(options.testframe, asked, out=out)


def _history(options: argparse.Namespace) -> int:
    from ..field.survey.history_command import tell_history

    beside = {
        "test frames": options.testframe, "--before": options.before, "--after": options.cleaned,
        "--cleaned-by": options.cleaned_by, "--sensor": options.sensor, "--f-number": options.f_number,
        "--distance": options.distance, "--taken": options.taken,
    }  # fmt: skip
    for name, value in beside.items():
        if value:
            raise YardError(f"--history reads surveys that were made before: leave {name} out")
    return tell_history(options.history, out=options.out or Path("history"))
