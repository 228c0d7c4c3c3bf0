"""Arguments that several commands share, and what a mistyped number is answered with."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TypeVar

T = TypeVar("T", int, float)


def detectors(parser: argparse.ArgumentParser) -> None:
    """Take any number of detectors."""
    parser.add_argument(
        "--detector", action="append", default=[], metavar="NAME",
        help="a registered detector, path/to/file.py:Class or calibration.json; repeatable (all that the suite judges)",
    )  # fmt: skip


def at_thresholds(parser: argparse.ArgumentParser) -> None:
    """Take a result, one of its methods, and a file of thresholds."""
    parser.add_argument("result", type=Path, help="a folder that rank wrote")
    parser.add_argument("--detector", metavar="NAME", help="which method (the one that thresholds were chosen for)")
    parser.add_argument("--threshold-file", type=Path, metavar="FILE", help="thresholds (RESULT/threshold.json)")


def count(text: str) -> int:
    """Read a whole number of at least 1."""
    return _number(text, int, least=1, words="a whole number of at least 1")


def whole(text: str) -> int:
    """Read a whole number of at least 0."""
    return _number(text, int, least=0, words="a whole number of at least 0")


def positive(text: str) -> float:
    """Read a positive number."""
    return _number(text, float, least=1e-6, words="a positive number")


def part(text: str) -> float:
    """Read a number between 0 and 1, both excluded."""
    value = _number(text, float, least=1e-6, words="a number between 0 and 1")
    if value >= 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number between 0 and 1")
    return value


def _number(text: str, kind: type[T], *, least: float, words: str) -> T:
    try:
        value = kind(text)
    except ValueError:
        value = kind("-1")
    if not least <= value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is not {words}")
    return value
