"""The page of two runs side by side: tables and bars, without a script."""

from __future__ import annotations

import math
from pathlib import Path

from ..compare import Change, Comparison
from ..compare_command import signed, verdicts
from .page import render, write_whole

LEAST_SPAN = 0.05
"""Ends of the bars where all differences are smaller."""


def write_comparison(path: Path, found: Comparison, *, before: str, after: str, least_effect: float) -> None:
    """Write the page, whole or not at all; every name is escaped by the template."""
    span = {change.method: _span(change) for change in found.changes}
    held = {"found": found, "before": before, "after": after, "least_effect": least_effect, "span": span}
    write_whole(
        path, render("comparison.html", held, filters={"signed": signed, "place": _place, "verdicts": verdicts})
    )


def _span(change: Change) -> float:
    """Return the largest end of an interval."""
    lines = [*change.lines, *(line for some in change.apertures.values() for line in some)]
    ends = [abs(value) for line in lines for value in (line.difference.low, line.difference.high)]
    return max([LEAST_SPAN, *(value for value in ends if math.isfinite(value))])


def _place(value: float, span: float) -> float:
    """Return where a difference lies between −span and span, in percent."""
    return 50 + 50 * value / span
