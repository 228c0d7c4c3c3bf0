"""Tables of a run as CSV files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from .boards import Board
from .cells import Table
from .cost_curve import RATIOS
from .store import FALSE_ALARM, HIT
from .whole_file import whole_file


def ranking_frame(shown: Sequence[Board]) -> pd.DataFrame:
    """Return one row a ground and method: rank, average precision with its ends, per aperture too."""
    rows: list[dict[str, Any]] = []
    for board in shown:
        for line in board.lines:
            row: dict[str, Any] = {
                "ground": board.ground,
                "rank": line.row.rank,
                "method": line.row.method,
                "average_precision": line.row.estimate,
                "low": line.row.low,
                "high": line.row.high,
                "behind_best": line.row.difference,
                "behind_best_low": line.row.difference_low,
                "behind_best_high": line.row.difference_high,
                "p_value_holm": line.row.p_value,
                "p_value_signed_rank_holm": line.signed_rank,
                "share_of_ideal": board.of_ideal(line),
                "found_at_1_false_alarm_a_frame": line.found,
                "found_at_1_false_alarm_a_megapixel": line.found_by_megapixel,
                "froc": line.froc,
                "cpu_s_per_megapixel": line.cpu_s_per_megapixel,
                "memory_mb": line.memory_mb,
            }
            for f_number, value in line.by_f_number.items():
                row |= {
                    f"ap_f{f_number:g}": value.estimate,
                    f"ap_f{f_number:g}_low": value.low,
                    f"ap_f{f_number:g}_high": value.high,
                }
            rows.append(row)
    return pd.DataFrame(rows)


def case_frame(table: Table) -> pd.DataFrame:
    """Return one row a frame and method: its cell, its counts over all candidates, its cost."""
    rows = [
        {
            "frame": record.frame.name,
            "ground": record.frame.ground,
            "f_number": record.frame.f_number,
            "block": record.frame.block,
            "pixels": record.frame.pixels,
            "texture": record.frame.texture,
            "shadows": len(record.frame.truth),
            "counted": record.frame.counted,
            "method": name,
            "candidates": len(record.result.spots),
            "hits": int((record.result.spots["kind"] == HIT).sum()),
            "false_alarms": int((record.result.spots["kind"] == FALSE_ALARM).sum()),
            "cpu_s": record.result.cpu_s,
            "memory_mb": record.result.memory_bytes / 1e6,
        }
        for name, records in table.items()
        for record in records
    ]
    return pd.DataFrame(rows)


def sweep_frame(cells: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return one row a cell, method and threshold, from the entries of `explore.explore`."""
    hidden = {"key", "chosen", "trusted", "guaranteed", "reason", "limit", "errors", "cost", "cpu_s_per_megapixel"}
    parts = [
        pd.DataFrame({key: values for key, values in entry.items() if key not in hidden}).assign(
            ground=cell["ground"], f_number=cell["f_number"], method=name
        )
        for cell in cells
        for name, entry in cell["methods"].items()
    ]
    whole = pd.concat(parts, ignore_index=True)
    first = ["ground", "f_number", "method"]
    return whole[[*first, *(name for name in whole.columns if name not in first)]]


def cost_frame(cells: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return one row a cell, method and ratio of costs."""
    rows = [
        {"ground": cell["ground"], "f_number": cell["f_number"], "method": name, "ratio": ratio, "cost": cost}
        for cell in cells
        for name, entry in cell["methods"].items()
        for ratio, cost in zip(RATIOS, entry["cost"], strict=True)
    ]
    return pd.DataFrame(rows)


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table so that a reader never sees half of it."""
    with whole_file(path) as scratch:
        table.to_csv(scratch, index=False, float_format="%.6g")
