"""What a suite of rolls says, for the terminal, as tables and as JSON."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from .interval import Interval
from .roll_job import roll_of
from .roll_reading import Contrast, Reading
from .roll_score import CLEAR, FALSE_ALARMS, RollScore
from .share_word import share_word
from .store import ResultRow
from .terminal import wrapped

BEWARE = (
    "Beware: these rolls change their scene from photograph to photograph. A series of one composition, as from a "
    "tripod, tells what its first photograph tells, and a scene that was there before counts once; one to three "
    "photographs of texture tell next to nothing; and what moves with the camera, as dirt on the lens, is not in them."
)
"""Where the evidence of rolls fails, said whenever it is shown."""

LEGEND = (
    f"found: share of all grains, at a threshold that the other half of the rolls chose so that {FALSE_ALARMS:g} false "
    "alarm a roll or fewer is expected; false: how many there were; score >: the threshold that all rolls together "
    "choose; ideal: what a linear observer who knows shadow and spectrum of the ground finds at as many false alarms; "
    f"less ideal: the difference, paired; clear: share of grains with d′ over {CLEAR:g}, which stand clear of noise. "
    "Intervals: 95 %, bootstrap over rolls."
)


def told_lines(readings: Sequence[Reading], contrasts: Sequence[Contrast]) -> list[str]:
    """Return the tables for the terminal, one a kind of roll."""
    lines: list[str] = []
    for kind in dict.fromkeys(one.kind for one in readings):
        here = [one for one in readings if one.kind == kind]
        lines += [f"{kind.upper()}   {here[0].rolls} rolls, {here[0].grains} grains in the first photographs"]
        lines += [
            f"{'photographs':>11}  {'':<14}{'found':>5} {'':<10}{'less ideal':>11} {'':<12}{'false':>6}{'score >':>8}"
        ]
        for count in dict.fromkeys(one.count for one in here):
            lines += _count_lines([one for one in here if one.count == count])
        lines += _contrast_lines([one for one in contrasts if one.kind == kind])
        lines.append("")
    return [*lines, *wrapped(LEGEND), *wrapped(BEWARE)]


def _count_lines(here: Sequence[Reading]) -> list[str]:
    first, lines = here[0], []
    ideal = f"{'ideal':<14}{share_word(first.ideal.estimate, 2):>5} {_ends(first.ideal):<10}"
    lines.append(f"{first.count:>11}  {ideal} clear {share_word(first.clear, 2)}")
    for one in here:
        line = f"{'':>11}  {one.detector[:13]:<14}{share_word(one.recall.estimate, 2):>5} {_ends(one.recall):<10}"
        line += f"{_signed(one.lead.estimate):>11} {_signed_ends(one.lead):<12}"
        lines.append(f"{line}{_number(one.false_alarms.estimate):>6}{_number(one.threshold):>8}")
    return lines


def _contrast_lines(here: Sequence[Contrast]) -> list[str]:
    pairs = dict.fromkeys((one.one, one.other) for one in here)
    lines = []
    for pair in pairs:
        each = [
            f"{one.count}: {_signed(one.difference.estimate)} ({_signed_ends(one.difference)})"
            for one in here
            if (one.one, one.other) == pair and not math.isnan(one.difference.estimate)
        ]
        lines += wrapped(f"{pair[0]} less {pair[1]}, after {', '.join(each)}") if each else []
    return lines


def _ends(one: Interval) -> str:
    return "" if math.isnan(one.low) else f"{share_word(one.low, 2)}–{share_word(one.high, 2)}"


def _signed(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:+.2f}".replace("0.", ".", 1).replace("-", "−")


def _signed_ends(one: Interval) -> str:
    return "" if math.isnan(one.low) else f"{_signed(one.low)}…{_signed(one.high)}"


def _number(value: float) -> str:
    if math.isnan(value):
        return "–"
    return f"{value:.1f}" if math.isfinite(value) else "any"


def cost_line(scores: Sequence[RollScore]) -> str:
    """Return what the methods took, per photograph."""
    longest = max(score.count for score in scores)
    times: dict[str, list[float]] = {}
    for score in scores:
        if score.count == longest:
            times.setdefault(score.detector, []).append(score.cpu_s / longest)
    each = ", ".join(f"{name} {1000 * float(np.mean(values)):.0f} ms" for name, values in times.items())
    return f"CPU a photograph, all counts together: {each}"


def roll_failures(failures: Sequence[ResultRow]) -> list[str]:
    """Return a line a failed method and reason: on how many rolls, and what stopped it."""
    rolls = {(row.detector, row.problem or "", roll_of(row.scene)) for row in failures}
    counts = Counter((detector, problem) for detector, problem, _ in rolls)
    return [f"FAILED  {name} on {n} roll{'s' * (n != 1)}: {problem}" for (name, problem), n in sorted(counts.items())]


def reading_table(readings: Sequence[Reading]) -> pd.DataFrame:
    """Return the readings as a table, ends of intervals in columns of their own."""
    return pd.DataFrame([_flat(asdict(one)) for one in readings]).rename(
        columns={"kind": "rolls_of", "count": "photographs"}
    )


def contrast_table(contrasts: Sequence[Contrast]) -> pd.DataFrame:
    """Return the contrasts as a table."""
    return pd.DataFrame([_flat(asdict(one)) for one in contrasts]).rename(
        columns={"kind": "rolls_of", "count": "photographs"}
    )


def _flat(plain: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in plain.items():
        if isinstance(value, dict):
            found |= {key: value["estimate"], f"{key}_low": value["low"], f"{key}_high": value["high"]}
        else:
            found[key] = value
    return found


def answer_object(
    card: dict[str, Any], readings: Sequence[Reading], contrasts: Sequence[Contrast], failures: Sequence[ResultRow]
) -> dict[str, Any]:
    """Return all of it for machines; numbers that JSON lacks (nan, inf) are null."""
    return {
        **card,
        "false_alarms_a_roll": FALSE_ALARMS,
        "readings": [_plain(asdict(one)) for one in readings],
        "differences": [_plain(asdict(one)) for one in contrasts],
        "failures": [{"method": row.detector, "roll": row.scene, "problem": row.problem} for row in failures],
    }


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value
