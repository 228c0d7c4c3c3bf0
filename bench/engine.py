"""Driving jobs through a crew so that no detector can take the run down with it."""

from __future__ import annotations

import os
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from functools import cache
from typing import Any, Generic, TypeVar

from .allowance import Allowance
from .crew import Crew, LocalCrew
from .judge import seat_of
from .store import ResultRow
from .task import Task

Made = TypeVar("Made")
"""What a job leaves beside its results: of a `Job` its frame's row."""

PATIENCE = 3
"""Times that a detector may take its process down or hang before its remaining frames are failed untried."""

BREATH_S = 5.0
"""How long to wait for a job before the crew is asked again how many it can take."""


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def run_jobs(
    jobs: Iterable[Task[Made]], *, workers: int, allowance: Allowance | None = None
) -> Iterator[tuple[Made | None, list[ResultRow]]]:
    """Yield the outcome of each job as it completes, in no order, from processes of this machine; see `drive`."""
    yield from drive(jobs, LocalCrew(workers, allowance or Allowance()))


def drive(jobs: Iterable[Task[Made]], crew: Crew) -> Generator[tuple[Made | None, list[ResultRow]], None, None]:
    """Yield what each job made, and its results, as it completes, in no order, and let the crew go in the end.

    A job whose process dies or hangs is tried again one detector at a time, so that only the guilty one
    gets a failed row; from then on it runs alone, and after `PATIENCE` failures it is given up. Jobs are taken from
    `jobs` as there is room for them, so memory does not grow with their number.

    Raises
    ------
    Exception
        Whatever the rendering itself raises: that is the yard's fault, not a detector's.
    """
    try:
        yield from _drive(iter(jobs), crew)
    except BaseException:
        crew.stop()
        raise
    crew.close()


def _drive(fresh: Iterator[Task[Made]], crew: Crew) -> Iterator[tuple[Made | None, list[ResultRow]]]:
    again: list[Task[Made]] = []
    flying: dict[Future[Any], Task[Made]] = {}
    guilt = _Guilt[Made]()
    while True:
        while len(flying) < crew.room() and (job := again.pop() if again else next(fresh, None)) is not None:
            apart = guilt.apart(job)
            if apart:
                again.extend(reversed(apart))
            elif guilt.is_given_up(job):
                yield None, guilt.failures(job, f"given up after {PATIENCE} failures: {guilt.problem(job)}")
            else:
                flying[crew.submit(job)] = job
        if not flying:
            return
        for future in wait(flying, timeout=BREATH_S, return_when=FIRST_COMPLETED).done:
            job = flying.pop(future)
            landing = crew.land(future)
            if landing is None:
                again.append(job)
            elif landing.problem is None:
                yield landing.made, landing.results
            elif len(job.detectors) > 1:
                again.extend(job.only(spec) for spec in job.detectors)
            else:
                guilt.add(job, landing.problem)
                yield None, guilt.failures(job, landing.problem)


class _Guilt(Generic[Made]):
    """Which detectors were caught alone: they get jobs of their own from then on, and are given up in the end."""

    def __init__(self) -> None:
        self._problems: dict[str, list[str]] = {}
        self._seat_of = cache(seat_of)  # of this run: a file may change before the next

    def add(self, job: Task[Made], problem: str) -> None:
        for spec in job.detectors:
            self._problems.setdefault(spec, []).append(problem)

    def apart(self, job: Task[Made]) -> list[Task[Made]]:
        """Return the jobs to run instead of one that holds a guilty detector among others, else nothing."""
        guilty = [spec for spec in job.detectors if spec in self._problems]
        innocent = tuple(spec for spec in job.detectors if spec not in self._problems)
        if not guilty or len(job.detectors) == 1:
            return []
        alone = [job.only(spec) for spec in guilty]
        return [job.only(*innocent), *alone] if innocent else alone

    def is_given_up(self, job: Task[Made]) -> bool:
        return any(len(self._problems.get(spec, [])) >= PATIENCE for spec in job.detectors)

    def problem(self, job: Task[Made]) -> str:
        return self._problems[job.detectors[0]][0]

    def failures(self, job: Task[Made], problem: str) -> list[ResultRow]:
        return [row for spec in job.detectors for row in job.failures(self._seat_of(spec), problem=problem)]
