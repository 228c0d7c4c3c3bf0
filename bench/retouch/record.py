"""The record of a retouched photograph: every repair with its evidence and how sure it is, as CSV and JSON."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

FORMAT = 1
"""Version of the JSON record."""


@dataclass(frozen=True, slots=True)
class Repaired:
    """One spot and what was done to it.

    Attributes
    ----------
    number
        In the order of evidence, from 1; it stands in table, sheet and list.
    x, y, diameter_px
        Place and full width at half depth, in pixels of the picture as displayed.
    evidence
        The detector's score, or the roll's.
    how
        divided, filled or left.
    depth, depth_error
        Peak share of light given back and its standard deviation, nan where nothing was.
    grain_um
        Diameter of the grain, nan where none was fitted.
    confidence
        Chance that what remains of the shadow is not seen, 0…1; nan where it can't be said.
    by_hand
        Why a person should look at it, or "".
    """

    number: int
    x: float
    y: float
    diameter_px: float
    evidence: float
    how: str
    depth: float
    depth_error: float
    grain_um: float
    confidence: float
    by_hand: str


COLUMNS = tuple(Repaired.__slots__)


def csv_text(repairs: Sequence[Repaired]) -> str:
    """Return the table, a line a spot."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in repairs:
        writer.writerow([_cell(getattr(one, name)) for name in COLUMNS])
    return text.getvalue()


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.4g}" if abs(value) < 100 else f"{value:.1f}"
    return str(value)


def json_text(repairs: Sequence[Repaired], facts: dict[str, Any]) -> str:
    """Return facts and repairs; a number that JSON lacks is null."""
    plain = [{key: _plain(value) for key, value in asdict(one).items()} for one in repairs]
    return json.dumps({"format": FORMAT, **facts, "repairs": plain}, indent=1, ensure_ascii=False) + "\n"


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def read_record(path: Path) -> dict[str, Any] | None:
    """Return a record, or None where there is none that this version wrote."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) and found.get("format") == FORMAT else None


def file_digest(path: Path) -> str:
    """Return sixteen hex digits that name a file's content."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()[:16]
