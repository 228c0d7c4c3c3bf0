"""The crops of a run, kept beside its tables, so that a second run renders nothing for them."""

from __future__ import annotations

import hashlib
import inspect
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from . import crops, gallery, gallery_choice
from .cells import Table
from .choice import CellChoice
from .whole_file import whole_file

CODE = (crops, gallery, gallery_choice)
"""Modules on whose text the crops depend."""


def kept_gallery(
    path: Path, table: Table, method: str, choices: Mapping[str, Sequence[CellChoice]]
) -> list[dict[str, Any]]:
    """Return `gallery.gallery`, from a file if that holds just these crops, else anew and written there."""
    key = _key(table, method, choices)
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        if held["key"] == key:
            return list(held["cells"])
    except (OSError, ValueError, KeyError, TypeError):
        pass  # no file, or none of ours: it is made anew
    cells = list(gallery.gallery(table, method, choices, show_progress=True))
    with whole_file(path) as scratch:
        scratch.write_text(json.dumps({"key": key, "cells": cells}, separators=(",", ":")), encoding="utf-8")
    return cells


def _key(table: Table, method: str, choices: Mapping[str, Sequence[CellChoice]]) -> str:
    """Return what the crops depend on: pixels, answers, thresholds and the code that cuts them."""
    code = [hashlib.sha256(inspect.getsource(module).encode()).hexdigest() for module in CODE]
    frames = [record.frame.pixels for record in next(iter(table.values()))]
    answers = {name: records[0].result.fingerprint for name, records in table.items()}
    thresholds = [(cell.ground, cell.f_number, repr(cell.threshold)) for cell in choices[method]]
    whole = json.dumps([code, frames, answers, method, thresholds], sort_keys=True)
    return hashlib.sha256(whole.encode()).hexdigest()
