"""`moteyard check-photos`: see whether pictures share shadows, as dust makes them."""

from __future__ import annotations

import argparse
from pathlib import Path

HELP = "see whether pictures share shadows, as dust makes them"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Compare the pictures of a folder: a shadow at one place of the sensor in several of them is dust, and they "
        "are no clean grounds. Originals are only read."
    )
    parser.add_argument("folder", type=Path, help="pictures of one camera")
    parser.add_argument("--detector", metavar="NAME", help="which method looks for candidates (matched)")
    parser.add_argument("--out", type=Path, default=Path("checked"), metavar="DIR", help="where to write (checked)")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..field.shared_shadows import check_photos

    return check_photos(options.folder, detector=options.detector, out=options.out)
