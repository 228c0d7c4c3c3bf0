"""What the page lets its reader explore, computed once and written beside the other tables as plain JSON.

Every method in every cell: what each threshold does, the cost curve, the detection limit, the kinds of errors.
Numbers that JSON lacks (nan, inf) are null.
"""

from __future__ import annotations

import hashlib
import inspect
import json
import math
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import cost_curve, curve, error_types, interval_table, limit, logit
from . import sweep as sweep_module
from .answer import reason
from .ceiling import NAME, ceiling
from .cells import Record, Table, where
from .choice import CellChoice
from .cost_curve import RATIOS, held_out_cost
from .error_types import KINDS, errors
from .limit import Limit, bins, cell_limit, curve_band
from .sweep import Sweep, sweep
from .whole_file import whole_file
from .wishes import cost as wishes_cost
from .wishes import counting

FORMAT = 1
"""Version of `explore.json`."""

CODE = (cost_curve, counting, wishes_cost, curve, error_types, interval_table, limit, logit, sweep_module)
"""Modules whose text, if it changes, makes entries stale."""

SIZES = 40
"""Grain sizes at which a detection-limit curve is written down."""

Choices = Mapping[str, Sequence[CellChoice]]
"""Method name to its cells, all methods in one order of cells."""


def explore(table: Table, choices: Choices, known: Mapping[str, Any] | None = None) -> list[dict[str, Any]]:
    """Return one entry a cell: its labels and, by method, what `method_entry` holds; the ceiling as `ideal`.

    Parameters
    ----------
    known
        Entries of an earlier call by their `key`; what they hold is not computed again.
    """
    held = known or {}
    entries = []
    for number, cell in enumerate(next(iter(choices.values()), ())):
        here = where(table, ground=cell.ground, f_number=cell.f_number)
        records = next(iter(here.values()))
        methods = {name: _kept(held, here[name], rows[number]) for name, rows in choices.items()}
        entries.append(
            {
                "ground": cell.ground,
                "f_number": cell.f_number,
                "frames": len(records),
                "shadows": sum(record.frame.counted for record in records),
                "methods": methods | {NAME: _kept(held, records, None)},
            }
        )
    return entries


def _kept(known: Mapping[str, Any], records: Sequence[Record], cell: CellChoice | None) -> dict[str, Any]:
    """Return the entry of a method, or of the ceiling where there is no cell, from `known` if it is there."""
    key = _key(records, cell)
    if key in known:
        return dict(known[key])
    entry = _curves(ceiling(records), also=[]) if cell is None else method_entry(records, cell)
    return {"key": key} | entry


def _key(records: Sequence[Record], cell: CellChoice | None) -> str:
    """Return sixteen hex digits that name frames, answers and threshold."""
    pixels = [record.frame.pixels for record in records]
    method = None if cell is None else [records[0].result.fingerprint, repr(cell)]
    return hashlib.sha256(json.dumps([pixels, method]).encode()).hexdigest()[:16]


def method_entry(records: Sequence[Record], cell: CellChoice) -> dict[str, Any]:
    """Return curves, chosen threshold, detection limit and kinds of errors of one method in one cell."""
    sizes = cell_limit(list(records), cell.threshold)
    counts = errors(records, {(cell.ground, cell.f_number): cell.threshold})
    kinds = {kind: {"count": getattr(counts, kind), "gain": rounded(counts.gain(kind))} for kind in KINDS}
    return _curves(records, also=[cell.threshold]) | {
        "chosen": rounded(cell.threshold, 9),
        "trusted": cell.trusted,
        "guaranteed": cell.guaranteed,
        "reason": reason(cell),
        "limit": limit_entry(sizes),
        "errors": {"f1": rounded(counts.f1), "matched": counts.matched, "kinds": kinds},
        "cpu_s_per_megapixel": rounded(
            float(np.median([record.result.cpu_s / record.frame.megapixels for record in records]))
        ),
    }


def _curves(records: Sequence[Record], *, also: Sequence[float]) -> dict[str, Any]:
    return sweep_entry(sweep(records, also=also)) | {"cost": rounded(held_out_cost(records))}


def sweep_entry(counts: Sweep) -> dict[str, Any]:
    """Return a sweep as lists, one value a threshold; the ends of intervals as `_low` and `_high`."""
    entry: dict[str, Any] = {
        "threshold": [float(f"{value:.9g}") for value in counts.threshold],
        "hits": counts.hits.astype(int).tolist(),
        "false_alarms": counts.false_alarms.astype(int).tolist(),
    }
    for name in ("recall", "precision", "false_alarms_per_frame"):
        value = getattr(counts, name)
        entry |= {name: rounded(value.estimate), f"{name}_low": rounded(value.low), f"{name}_high": rounded(value.high)}
    return entry


def limit_entry(sizes: Limit) -> dict[str, Any]:
    """Return a detection limit with its curve over the cell's sizes and its grains in groups."""
    entry: dict[str, Any] = {
        "status": sizes.status.value,
        "note": sizes.note,
        "a90_um": rounded(sizes.a90.estimate),
        "a90_95_um": rounded(sizes.a90_95),
        "groups": [[rounded(one.size_um, 2), one.found, one.grains] for one in bins(sizes.size_um, sizes.found)],
    }
    if sizes.fit is not None:
        size = np.geomspace(sizes.size_um.min(), sizes.size_um.max(), SIZES)
        entry |= {"size_um": rounded(size, 2)}
        entry |= dict(zip(("found", "low", "high"), map(rounded, curve_band(sizes, size)), strict=True))
    return entry


def rounded(values: float | NDArray[Any], digits: int = 4) -> Any:
    """Return a number or an array's numbers with so many digits after the point, null where not finite.

    >>> rounded(np.array([0.123456, np.nan])), rounded(math.inf)
    ([0.1235, None], None)
    """
    if isinstance(values, np.ndarray):
        return [rounded(float(value), digits) for value in values]
    return round(float(values), digits) if math.isfinite(values) else None


def kept_explore(path: Path, table: Table, choices: Choices) -> list[dict[str, Any]]:
    """Return `explore`, with what the file holds of the same code not computed again, and write it there."""
    texts = map(inspect.getsource, (*CODE, sys.modules[__name__]))
    code = hashlib.sha256("".join(texts).encode()).hexdigest()[:16]
    entries = explore(table, choices, _known(path, code))
    text = json.dumps({"format": FORMAT, "code": code, "cost_ratios": RATIOS, "cells": entries}, separators=(",", ":"))
    with whole_file(path) as scratch:
        scratch.write_text(text, encoding="utf-8")
    return entries


def _known(path: Path, code: str) -> dict[str, Any]:
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        cells = held["cells"] if held["code"] == code else []
        return {entry["key"]: entry for cell in cells for entry in cell["methods"].values()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}  # no file, or none of ours: all is computed
