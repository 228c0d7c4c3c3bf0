"""A run, summed up once for everything that shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from .answer import Answer
from .boards import Board
from .cells import Table
from .explore import Choices
from .store import ResultRow


@dataclass(frozen=True, slots=True)
class Result:
    """What a finished run says.

    Attributes
    ----------
    table, boards
        Its records and rankings.
    answer, choices
        The chosen method's thresholds with what may be said of them, and those of every method by the same wish.
    failures, notes
        Failed results, and the store's notes.
    """

    table: Table
    boards: tuple[Board, ...]
    answer: Answer
    choices: Choices
    failures: Sequence[ResultRow]
    notes: dict[str, Any]
