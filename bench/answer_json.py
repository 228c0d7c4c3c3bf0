"""The answer of a run for machines: what the terminal prints, as one JSON object.

Numbers that JSON lacks (nan, inf) are null.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from .answer import Answer, CellAnswer, reason
from .boards import Board, Line
from .explore import rounded
from .interval import Interval
from .result import Result
from .store import ResultRow
from .wishes import as_plain

FORMAT = 1
"""Version of the object."""

DIGITS = 6
"""After the point."""


def as_json(result: Result | Sequence[ResultRow]) -> dict[str, Any]:
    """Return the object; of failed results alone, it holds nothing else."""
    if not isinstance(result, Result):
        return {"format": FORMAT, "grounds": [], "failures": failures_json(result)}
    notes = result.notes
    return {
        "format": FORMAT,
        "suite": notes.get("suite"),
        "suite_version": notes.get("suite_version"),
        "suite_digest": notes.get("suite_digest"),
        **_answer(result.answer),
        "grounds": [_board(board) for board in result.boards],
        "failures": failures_json(result.failures),
    }


def failures_json(failures: Sequence[ResultRow]) -> list[dict[str, Any]]:
    """Return failed results, a method, scene and problem each."""
    return [{"method": row.detector, "scene": row.scene, "problem": row.problem} for row in failures]


def _answer(answer: Answer) -> dict[str, Any]:
    return {
        "asked": as_plain(answer.choice.wish),
        "method": answer.choice.method,
        "answer": [answer.use, answer.beware],
        "thresholds": [_cell(one) for one in answer.cells],
    }


def _cell(one: CellAnswer) -> dict[str, Any]:
    cell = one.cell
    return {
        "ground": cell.ground,
        "f_number": cell.f_number,
        "threshold": rounded(cell.threshold, 9),
        "trusted": cell.trusted,
        "reason": reason(cell),
        "recall": _interval(one.recall),
        "precision": rounded(cell.precision, DIGITS),
        "false_alarms_per_frame": _interval(one.false_alarms_per_frame),
        "frames_over": cell.over,
        "held_out_frames": cell.held_out_frames,
        "trusted_instead": list(one.others),
    }


def _board(board: Board) -> dict[str, Any]:
    return {
        "ground": board.ground,
        "frames": board.frames,
        "smallest_difference": rounded(board.resolution, DIGITS),
        "ideal": _line(board, board.ideal),
        "methods": [{"rank": line.row.rank} | _line(board, line) for line in board.lines],
    }


def _line(board: Board, line: Line) -> dict[str, Any]:
    return {
        "method": line.row.method,
        "average_precision": _interval(line.row),
        "share_of_ideal": rounded(board.of_ideal(line), DIGITS),
        "found_at_1_false_alarm_a_frame": rounded(line.found, DIGITS),
        "by_f_number": {f"{f:g}": _interval(value) for f, value in line.by_f_number.items()},
        "cpu_s_per_megapixel": rounded(line.cpu_s_per_megapixel, DIGITS),
        "memory_mb": rounded(line.memory_mb, DIGITS),
    }


def _interval(value: Interval | Any) -> dict[str, Any]:
    return {name: rounded(getattr(value, name), DIGITS) for name in ("estimate", "low", "high")}
