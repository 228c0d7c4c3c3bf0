"""`moteyard errors`: which kinds of mistakes a method makes, and what mending each would gain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

import pandas as pd

from .error_types import KINDS, Errors, Level, errors_by_ground, recall_by_visibility
from .export import write_csv
from .operating import load_operating, thresholds
from .terminal import share, wrapped

Cells = Mapping[tuple[str, float | None], Errors]


def show_errors(folder: Path, *, detector: str | None, threshold_file: Path | None) -> int:
    """Print the kinds of errors of a result folder, write tables and a plot into it, return 0."""
    from .report.visibility import write_visibility  # matplotlib is slow to import

    table, method, choice = load_operating(folder, detector=detector, file=threshold_file)
    cells = errors_by_ground(table, method, thresholds(choice))
    seen = recall_by_visibility(table, method, thresholds(choice))
    write_csv(error_frame(cells, method), folder / "errors.csv")
    write_csv(visibility_frame(seen, method), folder / "visibility.csv")
    write_visibility(seen, method, folder / "visibility.png")
    where = wrapped(f"written to {folder}: errors.csv (each aperture too), visibility.csv, visibility.png")
    print("\n".join([*error_lines(cells, method), "", *visibility_lines(seen), "", *where]))
    return 0


def error_frame(cells: Cells, method: str) -> pd.DataFrame:
    """Return one row a ground, f-number "all", and one a ground and f-number."""
    rows = []
    for (ground, f_number), counts in cells.items():
        row: dict[str, object] = {
            "method": method,
            "ground": ground,
            "f_number": "all" if f_number is None else f"{f_number:g}",
            "shadows": counts.truths,
            "f1": counts.f1,
            "matched": counts.matched,
        }
        for kind in KINDS:
            row |= {kind: getattr(counts, kind), f"f1_gain_{kind}": counts.gain(kind)}
        rows.append(row)
    return pd.DataFrame(rows)


def error_lines(cells: Cells, method: str) -> list[str]:
    """Return the table of the grounds, all apertures together, and what its words mean."""
    lines = [f"ERRORS   {method}, at the chosen thresholds; below: what mending them adds to F1"]
    lines.append(
        f"    {'':11}{'shadows':>8}{'F1':>6}{'matched':>8}" + "".join(f"{_HEADS.get(kind, kind):>8}" for kind in KINDS)
    )
    for (ground, f_number), counts in cells.items():
        if f_number is None:
            numbers = "".join(f"{getattr(counts, kind):>8}" for kind in KINDS)
            gains = "".join(f"{'+' + share(counts.gain(kind)).strip():>8}" for kind in KINDS)
            lines.append(f"    {ground[:10]:<11}{counts.truths:>8}{share(counts.f1):>6}{counts.matched:>8}{numbers}")
            lines.append(f"    {'':11}{'':8}{'':6}{'':8}{gains}")
    return [*lines, "", *_LEGEND]


def visibility_frame(seen: Mapping[str, Sequence[Level]], method: str) -> pd.DataFrame:
    """Return one row a ground and step of visibility."""
    return pd.DataFrame(
        [{"method": method, "ground": ground, **asdict(level)} for ground, levels in seen.items() for level in levels]
    )


def visibility_lines(seen: Mapping[str, Sequence[Level]]) -> list[str]:
    """Return the share found at each step of visibility, a line a ground, with the number of shadows."""
    first = next(iter(seen.values()), ())
    heads = [f"{level.low:g}–{level.high:g}" for level in first[:-1]] + [f"over {level.low:g}" for level in first[-1:]]
    lines = ["FOUND BY VISIBILITY   contrast over the least that an observer sees", f"    {'':11}"]
    lines[1] += "".join(f"{head:>12}" for head in heads)
    for ground, levels in seen.items():
        cells = "".join(f"{share(level.recall).strip():>7}{f'/{level.shadows}':>5}" for level in levels)
        lines.append(f"    {ground[:10]:<11}{cells}")
    return lines


_HEADS = {"duplicate": "double", "background": "ground"}
"""Shorter words for the columns."""

_LEGEND = (
    "merged: one candidate over several shadows. offset: within three gates of a",
    "missed shadow. double: on a shadow that is found already. ground: on none of",
    "them. missed: shadows that no candidate stands for. Gains don't add up.",
)
