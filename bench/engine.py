"""Running jobs on several cores so that no detector can take the run down with it."""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import signal
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import replace
from typing import Any

from ..generators.scene import Scene
from .judge import Job, failed, run_job
from .store import FrameRow, ResultRow

Outcome = tuple[FrameRow | None, list[ResultRow]]

TIME_LIMIT_S = 120.0
"""Time that one detector may take on one frame before it is stopped."""

_THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")

_DIE_WITH_PARENT = 1
"""PR_SET_PDEATHSIG of Linux's prctl(2)."""


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _settle() -> None:
    """Prepare a worker: one thread each, gone when the parent is gone, deaf to the terminal's Ctrl-C.

    What a detector prints goes to the error stream: the output is the parent's table.
    """
    sys.stdout = sys.stderr
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if os.name == "posix" and os.uname().sysname == "Linux":
        ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL)
    from ..generators.cv import cv2  # in the worker, not at start-up

    cv2.setNumThreads(1)


def run_jobs(jobs: Sequence[Job], *, workers: int, time_limit_s: float = TIME_LIMIT_S) -> Iterator[Outcome]:
    """Yield the outcome of each job as it completes, in no order.

    A job whose process dies or hangs is tried again one detector at a time, so that only the guilty one
    gets a failed row; from then on it runs alone, and after `PATIENCE` failures it is given up. At most two jobs
    a worker are in flight, so memory does not grow with their number.

    Raises
    ------
    Exception
        Whatever the rendering itself raises: that is the yard's fault, not a detector's.
    """
    from pebble import ProcessPool  # keeps the command line quick to start

    for variable in _THREAD_VARIABLES:
        os.environ.setdefault(variable, "1")
    context = multiprocessing.get_context("spawn")
    pool: Any = ProcessPool(max_workers=workers, context=context, initializer=_settle)
    try:
        yield from _drive(pool, list(jobs), in_flight=2 * workers, time_limit_s=time_limit_s)
    except BaseException:
        pool.stop()
        pool.join()
        raise
    pool.close()
    pool.join()


PATIENCE = 3
"""Times that a detector may take its process down or hang before its remaining frames are failed untried."""


def _drive(pool: Any, waiting: list[Job], *, in_flight: int, time_limit_s: float) -> Iterator[Outcome]:
    waiting.reverse()
    flying: dict[Future[Any], Job] = {}
    guilt = _Guilt()
    while waiting or flying:
        while waiting and len(flying) < in_flight:
            job = waiting.pop()
            apart = guilt.apart(job)
            if apart:
                waiting.extend(reversed(apart))
            elif guilt.is_given_up(job):
                yield None, _failures(job, f"given up after {PATIENCE} failures: {guilt.problem(job)}")
            else:
                limit = time_limit_s * max(1, len(job.detectors))
                flying[pool.schedule(run_job, args=(job,), timeout=limit)] = job
        for future in wait(flying, return_when=FIRST_COMPLETED).done if flying else ():
            job = flying.pop(future)
            row, results, problem = _land(future)
            if problem is None:
                yield row, results
            elif len(job.detectors) > 1:
                waiting.extend(replace(job, detectors=(spec,)) for spec in job.detectors)
            else:
                guilt.add(job, problem)
                yield None, _failures(job, problem)


class _Guilt:
    """Which detectors were caught alone: they get jobs of their own from then on, and are given up in the end."""

    def __init__(self) -> None:
        self._problems: dict[str, list[str]] = {}

    def add(self, job: Job, problem: str) -> None:
        for spec in job.detectors:
            self._problems.setdefault(spec, []).append(problem)

    def apart(self, job: Job) -> list[Job]:
        """Return the jobs to run instead of one that holds a guilty detector among others, else nothing."""
        guilty = [spec for spec in job.detectors if spec in self._problems]
        innocent = tuple(spec for spec in job.detectors if spec not in self._problems)
        if not guilty or len(job.detectors) == 1:
            return []
        alone = [replace(job, detectors=(spec,)) for spec in guilty]
        return [replace(job, detectors=innocent), *alone] if innocent else alone

    def is_given_up(self, job: Job) -> bool:
        return any(len(self._problems.get(spec, [])) >= PATIENCE for spec in job.detectors)

    def problem(self, job: Job) -> str:
        return self._problems[job.detectors[0]][0]


def _failures(job: Job, problem: str) -> list[ResultRow]:
    scene = Scene.from_json(job.scene).digest
    return [failed(scene, spec, problem=problem) for spec in job.detectors]


def _land(future: Future[Any]) -> tuple[FrameRow | None, list[ResultRow], str | None]:
    """Return a finished job's outcome, or what took it down."""
    from pebble import ProcessExpired

    try:
        row, results = future.result()
        return row, results, None
    except TimeoutError:
        problem = "took longer than the time limit and was stopped"
    except ProcessExpired as error:
        problem = f"its process died ({_cause(error.exitcode)})"
    except SystemExit:
        problem = "left through sys.exit"
    except MemoryError:
        problem = "ran out of memory"
    return None, [], problem


def _cause(exit_code: int) -> str:
    if exit_code < 0:
        return f"signal {signal.Signals(-exit_code).name}"
    return f"exit status {exit_code}"
