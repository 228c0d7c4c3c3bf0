"""`moteyard limit`: clean down to which grain, said, drawn and tabled."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from .export import write_csv
from .limit import CONFIDENCE, MISFIT, OFTEN, Limit, Status, limits
from .operating import load_operating, thresholds
from .terminal import WIDTH

_INDENT, _HANGING = 4 * " ", 6 * " "


def show_limit(folder: Path, *, detector: str | None, threshold_file: Path | None) -> int:
    """Print the detection limits of a result folder, write table and plot (limit.csv, .png, .svg) into it, return 0."""
    from .report.limits import write_limits  # matplotlib is slow to import

    table, method, choice = load_operating(folder, detector=detector, file=threshold_file)
    shown = limits(table, method, thresholds(choice))
    write_csv(limit_frame(shown, method), folder / "limit.csv")
    write_limits(shown, method, folder / "limit.png")
    print("\n".join([*limit_lines(shown, method), "", f"written to {folder}: limit.csv, limit.png, limit.svg"]))
    return 0


def limit_frame(shown: Sequence[Limit], method: str) -> pd.DataFrame:
    """Return one row a cell."""
    return pd.DataFrame([{"method": method} | _row(limit) for limit in shown])


def _row(limit: Limit) -> dict[str, object]:
    intercept, slope = limit.fit.beta if limit.fit is not None else (math.nan, math.nan)
    return {
        "ground": limit.ground,
        "f_number": limit.f_number,
        "threshold": limit.threshold,
        "grains": len(limit.found),
        "found": int(limit.found.sum()),
        "status": limit.status.value,
        "intercept": intercept,
        "slope": slope,
        "a50_um": limit.a50.estimate,
        "a50_low_um": limit.a50.low,
        "a50_high_um": limit.a50.high,
        "a90_um": limit.a90.estimate,
        "a90_low_um": limit.a90.low,
        "a90_high_um": limit.a90.high,
        "a90_95_um": limit.a90_95,
        "dispersion": limit.dispersion,
        "misfit_p_value": limit.misfit,
        "note": limit.note,
    }


def limit_lines(shown: Sequence[Limit], method: str) -> list[str]:
    """Return the table, what its columns mean, and the answer for each cell."""
    lines = [f"DETECTION LIMIT   {method}: diameter of a grain in µm, at the chosen thresholds"]
    lines.append(f"    {'':17}{'grains':>7}{'found':>7}{'a50':>8}{'a90':>8}  {'95 % interval':<15}{'a90/95':>8}")
    lines += [_line(limit) for limit in shown]
    lines += _notes(shown)
    lines += ["", "a50, a90: found in 50 % and 90 % of trials; a90/95: it is that small or smaller", _meaning()]
    return [*lines, "", "CLEAN DOWN TO WHICH GRAIN?", *(line for limit in shown for line in _wrapped(answer(limit)))]


def _meaning() -> str:
    return f"with {100 * CONFIDENCE:g} % confidence. – is not known, ∞ has no bound. * see below the table."


def _line(limit: Limit) -> str:
    label = f"    {limit.ground[:10]:<11}{'f/' + format(limit.f_number, 'g'):<6}"
    interval = f"{micrometres(limit.a90.low)}–{micrometres(limit.a90.high)}"
    text = f"{label}{len(limit.found):>7}{int(limit.found.sum()):>7}"
    text += f"{micrometres(limit.a50.estimate):>8}{micrometres(limit.a90.estimate):>8}  "
    text += f"{'–' if interval == '–––' else interval:<15}{micrometres(limit.a90_95):>8}"
    return text + (" *" if limit.note else "")


def micrometres(value: float) -> str:
    """Return a size in at most five characters.

    >>> [micrometres(size) for size in (23.46, 7.31, 1961.1, float("nan"), float("inf"), 123456.0)]
    ['23.5', '7.3', '1961', '–', '∞', '>9999']
    """
    if math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞"
    if value > 9999:
        return ">9999"
    return f"{value:.1f}" if value < 99.95 else f"{value:.0f}"


def _notes(shown: Sequence[Limit]) -> list[str]:
    """Return each note once, with its cells, within the width."""
    about: dict[str, list[str]] = {}
    for limit in shown:
        for note in filter(None, limit.note.split("; ")):
            about.setdefault(note, []).append(f"{limit.ground} f/{limit.f_number:g}")
    notes = [
        f"* {'all' if len(cells) == len(shown) and len(shown) > 1 else ', '.join(cells)}: {note}"
        for note, cells in about.items()
    ]
    return [
        line
        for note in notes
        for line in textwrap.wrap(note, WIDTH - 4, initial_indent="    ", subsequent_indent="      ")
    ]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ")


def answer(limit: Limit) -> str:
    """Return the answer for one cell in a sentence; nothing beyond the largest grain is promised."""
    cell = f"{limit.ground} f/{limit.f_number:g}"
    if limit.status is Status.ALL_FOUND or (limit.status is Status.SEPARATED and math.isfinite(limit.a90.high)):
        return f"{cell}: every grain of {limit.a90.high:.0f} µm and larger was found{_sure(limit)}"
    if limit.status is not Status.FITTED or not limit.a90.estimate <= limit.size_um.max():
        return f"{cell}: no size up to {_largest(limit)} µm is found {_times()}"
    text = f"{cell}: grains of {limit.a90.estimate:.0f} µm and larger are found {_times()}{_sure(limit)}"
    return text + (", if one believes a curve that the data do not follow" if limit.misfit < MISFIT else "")


def _times() -> str:
    return f"{10 * OFTEN:.0f} times in 10"


def _largest(limit: Limit) -> str:
    return f"{limit.size_um.max():.0f}" if len(limit.size_um) else "any"


def _sure(limit: Limit) -> str:
    if limit.a90_95 > limit.size_um.max():
        return f", but no size with {100 * CONFIDENCE:.0f} % confidence"
    return f" ({100 * CONFIDENCE:.0f} % confident: {limit.a90_95:.0f} µm)"
