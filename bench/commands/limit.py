"""`moteyard limit`: how large a grain must be to be found, from a result."""

from __future__ import annotations

import argparse

from .words import at_thresholds

HELP = "how large a grain must be to be found, from a result"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Fit the probability of detection over grain size at the chosen thresholds, per ground and aperture: the "
        "sizes found 5 and 9 times in 10, with likelihood-ratio intervals."
    )
    at_thresholds(parser)


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..limit_command import show_limit

    return show_limit(options.result, detector=options.detector, threshold_file=options.threshold_file)
