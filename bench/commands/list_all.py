"""`moteyard list`: list suites, detectors, repairs and backgrounds."""

from __future__ import annotations

import argparse

HELP = "list suites, detectors, repairs and backgrounds"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = "List what there is: suites, detectors, repairs, backgrounds."


def run(_: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..list_command import list_all

    return list_all()
