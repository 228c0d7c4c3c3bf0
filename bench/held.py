"""Outcomes on disk, a line each, so that an interrupted run goes on; and the processes that make those missing."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any, Generic, Protocol, Self, TypeVar

from tqdm import tqdm

from .errors import YardError


class Plain(Protocol):
    """What can be kept: it names itself, and goes to plain values and back."""

    @property
    def key(self) -> str:
        """Name of what it is an outcome of."""
        ...

    def to_plain(self) -> dict[str, Any]:
        """Return it as values that JSON can hold."""
        ...

    @classmethod
    def from_plain(cls, raw: dict[str, Any]) -> Self:
        """Return what `to_plain` made plain."""
        ...


P = TypeVar("P", bound=Plain)


class Held(Generic[P]):
    """Outcomes of one kind in a file, by their keys.

    Raises
    ------
    YardError
        If the file is there and was made of something else than `marks`; `holds` says of what.
    """

    def __init__(self, path: Path, marks: Sequence[str], *, kind: type[P], holds: str) -> None:
        self.path, self.mark = path, json.dumps({"made of": list(marks)})
        self.found: dict[str, P] = {}
        if path.exists():
            self._read(kind, holds)
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(self.mark + "\n", encoding="utf-8")

    def _read(self, kind: type[P], holds: str) -> None:
        head, *lines = self.path.read_text(encoding="utf-8").splitlines() or [""]
        if head != self.mark:
            raise YardError(f"{self.path} holds {holds}; choose another --out or delete it")
        for line in lines:
            try:
                outcome = kind.from_plain(json.loads(line))
            except (ValueError, KeyError, TypeError):  # the line that an interruption cut short
                continue
            self.found[outcome.key] = outcome

    def add(self, outcome: P) -> None:
        """Keep an outcome."""
        self.found[outcome.key] = outcome
        with self.path.open("a", encoding="utf-8") as file:
            file.write("\n" + json.dumps(outcome.to_plain()) + "\n")

    def fill(
        self, work: Callable[..., P], missing: Sequence[tuple[Any, ...]], *, pool: ProcessPoolExecutor, bar: tqdm[Any]
    ) -> None:
        """Keep what `work` makes of each tuple of arguments, as soon as it is there; then close the pool."""
        with pool, bar:
            jobs = [pool.submit(work, *each) for each in missing]
            try:
                for job in as_completed(jobs):
                    self.add(job.result())
                    bar.update()
            except BaseException:
                pool.shutdown(cancel_futures=True)
                raise


def progress(total: int, *, unit: str, name: str) -> tqdm[Any]:
    """Return a bar on the error stream."""
    return tqdm(total=total, unit=unit, desc=name, file=sys.stderr)
