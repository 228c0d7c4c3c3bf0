"""What a crew can do: something to render and detectors to put on it, in a process that may be lost."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, Self, TypeVar

from ..detectors.contract import Detector
from .allowance import Allowance
from .store import ResultRow

Made_co = TypeVar("Made_co", covariant=True)
"""What a task leaves beside its results: a frame's row, or several."""


@dataclass(frozen=True, slots=True)
class Seat:
    """A detector at its place in a process: what makes one, and the name and fingerprint that its rows carry."""

    make: Callable[[], Detector]
    name: str
    fingerprint: str


class Task(Protocol[Made_co]):
    """Work for one process; it travels as plain data."""

    @property
    def detectors(self) -> tuple[str, ...]:
        """Return registered names or ``path/file.py:Class``."""
        ...

    @property
    def looks(self) -> int:
        """Return how many photographs detectors look at in all: each look may take the allowance's time."""
        ...

    def only(self, *detectors: str) -> Self:
        """Return the same work for some of the detectors."""
        ...

    def run(self, allowance: Allowance | None = None) -> tuple[Made_co, list[ResultRow]]:
        """Do it here. What a detector raises becomes its rows' problem."""
        ...

    def failures(self, seat: Seat, *, problem: str) -> list[ResultRow]:
        """Return a detector's rows where no process lived to write them."""
        ...
