"""`moteyard compare`: two result folders side by side, in the terminal, as a page, as JSON."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from .cells import Table
from .choice import read_choice
from .compare import Change, Comparison, compare, trust_changes
from .errors import YardError
from .explore import rounded
from .guard import Line, Verdict
from .run import stored_table
from .store import open_store
from .terminal import clipped, share, wrapped

FORMAT = 1
"""Version of the JSON object."""


def show_comparison(before: Path, after: Path, *, least_effect: float, as_object: bool = False) -> int:
    """Print what changed from one folder to the other, write a page into the second, return 0."""
    from .report.comparison import write_comparison

    tables = [_load(folder) for folder in (before, after)]
    found = compare(*tables, least_effect=least_effect)
    choices = [folder / "threshold.json" for folder in (before, after)]
    if all(file.is_file() for file in choices):
        found = replace(found, trust=trust_changes(*map(read_choice, choices)))
    page = after / f"compared-with-{_plain(before)}.html"
    write_comparison(page, found, before=str(before), after=str(after), least_effect=least_effect)
    if as_object:
        print(json.dumps(comparison_json(found), indent=1, ensure_ascii=False, allow_nan=False))
    else:
        print("\n".join([*comparison_lines(found, str(before), str(after)), "", *wrapped(f"written to {page}")]))
    return 0


def _load(folder: Path) -> Table:
    store = open_store(folder)
    try:
        table, _ = stored_table(store)
    finally:
        store.close()
    if not table:
        raise YardError(f"{folder} holds no method that has every frame; run it again to go on")
    return table


def _plain(folder: Path) -> str:
    return re.sub(r"[^A-Za-z0-9_.-]+", "-", folder.resolve().name) or "other"


def comparison_lines(found: Comparison, before: str, after: str) -> list[str]:
    """Return the comparison as lines of at most 80 characters."""
    lines = [*wrapped(f"COMPARE   {before} → {after}: {found.frames} frames in common")]
    for count, name in ((found.only_before, before), (found.only_after, after)):
        if count:
            lines += wrapped(f"    {count} frames only in {name}, left out")
    for change in found.changes:
        if not change.same_answers:
            lines += ["", *_change_lines(change)]
    lines += ["", *_same_lines(found.changes)]
    for names, name in ((found.methods_before, before), (found.methods_after, after)):
        if names:
            lines += wrapped(f"only in {name}: {', '.join(names)}")
    lines += [line for one in found.trust for line in wrapped(_trust(one.ground, one.f_number, one.before, one.after))]
    return lines


def _trust(ground: str, f_number: float, before: str, after: str) -> str:
    return f"{ground} f/{f_number:g}: {before} → {after}"


def _change_lines(change: Change) -> list[str]:
    code = "same code, other answers" if change.same_code else "other code"
    lines = [f"{change.method}: {code}, CPU time × {change.time_ratio:.2f}", *wrapped(f"    {verdicts(change)}")]
    lines.append(f"    {'ground':<13}{'f':<6}{'before':>7}{'after':>7}{'change':>8}  {'interval':<17}verdict")
    lines += [_line(line, "all") for line in change.lines]
    for f_number, some in change.apertures.items():
        grounds = [line for line in some if len(some) == 1 or line is not some[0]]
        lines += [_line(line, f"f/{f_number:g}") for line in grounds]
    for one in change.frames:
        lines += wrapped(f"    most changed: {one.frame}, {share(one.before)} → {share(one.after)}")
    return lines


def verdicts(change: Change) -> str:
    """Return on which grounds a method is worse, better and what else, all apertures together, as a sentence."""
    grounds: dict[str, list[str]] = {verdict.value: [] for verdict in (Verdict.WORSE, Verdict.BETTER)}
    for line in change.lines[1:] or change.lines:  # of several, the first is all grounds together
        grounds.setdefault(line.verdict.value, []).append(line.ground)
    parts = [f"{verdict}: {', '.join(names) or 'nowhere'}" for verdict, names in grounds.items()]
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] + "."


def _line(line: Line, aperture: str) -> str:
    gap = line.difference
    name = line.ground if len(line.ground) <= 12 else clipped(line.ground)
    interval = f"{signed(gap.low)}…{signed(gap.high)}"
    return (
        f"    {name:<13}{aperture:<6}{share(line.before):>7}{share(line.after):>7}{signed(gap.estimate):>8}  "
        f"{interval:<17}{line.verdict}"
    )


def signed(value: float) -> str:
    """Return a difference of shares with its sign.

    >>> signed(0.0123), signed(-0.5), signed(0.0), signed(float("nan"))
    ('+.012', '−.500', '0', '–')
    """
    if math.isnan(value):
        return "–"
    if value == 0:
        return "0"
    return ("−" if value < 0 else "+") + f"{abs(value):.3f}".removeprefix("0")


def _same_lines(changes: Sequence[Change]) -> list[str]:
    same = [change.method for change in changes if change.same_answers]
    return wrapped(f"the same answers on every frame: {', '.join(same)}") if same else []


def comparison_json(found: Comparison) -> dict[str, Any]:
    """Return the comparison as plain data; numbers that JSON lacks are null."""
    changes = []
    for change in found.changes:
        lines = [_line_json(line, None) for line in change.lines]
        lines += [_line_json(line, f) for f, some in change.apertures.items() for line in some]
        changes.append(
            {
                "method": change.method,
                "same_code": change.same_code,
                "same_answers": change.same_answers,
                "time_ratio": rounded(change.time_ratio),
                "lines": lines,
                "frames": [
                    {"frame": one.frame, "before": rounded(one.before), "after": rounded(one.after)}
                    for one in change.frames
                ],
            }
        )
    return {
        "format": FORMAT,
        "frames": found.frames,
        "frames_only_before": found.only_before,
        "frames_only_after": found.only_after,
        "methods": changes,
        "methods_only_before": list(found.methods_before),
        "methods_only_after": list(found.methods_after),
        "trust": [asdict(one) for one in found.trust],
    }


def _line_json(line: Line, f_number: float | None) -> dict[str, Any]:
    return {
        "ground": line.ground,
        "f_number": f_number,
        "before": rounded(line.before, 6),
        "after": rounded(line.after, 6),
        "difference": rounded(line.difference.estimate, 6),
        "low": rounded(line.difference.low, 6),
        "high": rounded(line.difference.high, 6),
        "verdict": line.verdict.value,
    }
