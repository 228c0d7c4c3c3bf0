"""A result store as four plain tables, piece by piece, for analysis elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from .store import FALSE_ALARM, HIT, IGNORED, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow, Store

PIECE = 500
"""Rows of the store read at a time, so that memory does not grow with their number."""

VERDICTS = {HIT: "hit", FALSE_ALARM: "false alarm", IGNORED: "ignored"}

Row = TypeVar("Row", FrameRow, ResultRow)


def frame_table(store: Store) -> Iterator[pd.DataFrame]:
    """Yield one row a frame: its cell, block, digests, recipe and how many of its shadows count."""
    suite = {"suite": store.note("suite"), "suite_version": int(store.note("suite_version") or 0)}
    columns = ("name", "scene", "ground", "f_number", "block", "megapixels", "pixels", "texture", "render_s", "recipe")

    def plain(row: FrameRow) -> dict[str, Any]:
        values = {column: getattr(row, column) for column in columns}
        return suite | values | {"shadows": len(row.truth), "counted": row.counted}

    return _plain_pieces(store.frames(), plain, (*suite, *columns, "shadows", "counted"))


def look_table(store: Store) -> Iterator[pd.DataFrame]:
    """Yield one row a frame and detector, failed ones with their problem: its counts and its cost."""
    columns = ("scene", "detector", "fingerprint", "problem", "cpu_s", "wall_s", "memory_bytes")

    def plain(row: ResultRow) -> dict[str, Any]:
        values = {column: getattr(row, column) for column in columns}
        kinds = row.spots["kind"]
        counts = {"candidates": len(kinds), "hits": (kinds == HIT).sum(), "false_alarms": (kinds == FALSE_ALARM).sum()}
        return values | counts

    return _plain_pieces(store.results(), plain, (*columns, "candidates", "hits", "false_alarms"))


def shadow_table(store: Store) -> Iterator[pd.DataFrame]:
    """Yield one row a true shadow; `truth` is its number in the frame."""
    for rows in _pieces(store.frames()):
        counts = [len(row.truth) for row in rows]
        table = _columns(np.concatenate([row.truth for row in rows]) if rows else np.zeros(0, TRUTH_TYPE))
        table.insert(0, "scene", pd.Series(_repeated([row.scene for row in rows], counts), dtype="string"))
        table.insert(1, "truth", np.concatenate([np.arange(count) for count in (*counts, 0)]))
        yield table


def candidate_table(store: Store) -> Iterator[pd.DataFrame]:
    """Yield one row a candidate, with its verdict and the number of the shadow that it hit, −1 if none."""
    for rows in _pieces(store.results()):
        counts = [len(row.spots) for row in rows]
        table = _columns(np.concatenate([row.spots for row in rows]) if rows else np.zeros(0, SPOT_TYPE))
        table.insert(0, "scene", pd.Series(_repeated([row.scene for row in rows], counts), dtype="string"))
        table.insert(1, "detector", pd.Series(_repeated([row.detector for row in rows], counts), dtype="string"))
        verdicts = table.pop("kind").map(VERDICTS)
        table["verdict"] = verdicts.astype("string")
        yield table


TABLES: dict[str, Callable[[Store], Iterator[pd.DataFrame]]] = {
    "frames": frame_table,
    "looks": look_table,
    "shadows": shadow_table,
    "candidates": candidate_table,
}
"""By the name of their file; `scene` joins all of them, `detector` the last with the second."""


def _pieces(rows: Iterable[Row]) -> Iterator[list[Row]]:
    """Yield rows in lists of `PIECE`, an empty list where there are none: a table has its head all the same."""
    source = iter(rows)
    piece = list(islice(source, PIECE))
    yield piece
    while piece := list(islice(source, PIECE)):
        yield piece


def _plain_pieces(
    rows: Iterable[Row], plain: Callable[[Row], dict[str, Any]], columns: tuple[str, ...]
) -> Iterator[pd.DataFrame]:
    for piece in _pieces(rows):
        table = pd.DataFrame([plain(row) for row in piece], columns=pd.Index(columns))
        words = [column for column in columns if column in _WORDS]
        yield table.astype(dict.fromkeys(words, "string"))


_WORDS = frozenset(
    {
        "suite", "name", "scene", "ground", "block", "pixels", "recipe",
        "detector", "fingerprint", "problem",
    }
)  # fmt: skip
"""Columns of text, which an empty piece would not show to be that."""


def _columns(records: Any) -> pd.DataFrame:
    return pd.DataFrame({name: records[name] for name in records.dtype.names})


def _repeated(values: list[str], counts: list[int]) -> list[str]:
    return [value for value, count in zip(values, counts, strict=True) for _ in range(count)]
