"""`moteyard errors`: which kinds of mistakes a method makes, from a result."""

from __future__ import annotations

import argparse

from .words import at_thresholds

HELP = "which kinds of mistakes a method makes, from a result"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Count, at the chosen thresholds, merged, offset and duplicate candidates, those on bare ground and missed "
        "shadows, and say what mending each kind would add to F1."
    )
    at_thresholds(parser)


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..errors_command import show_errors

    return show_errors(options.result, detector=options.detector, threshold_file=options.threshold_file)
