"""Running jobs on several cores so that no detector can take the run down with it."""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
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
    """Prepare a worker: one thread each, gone when the parent is gone, deaf to the terminal's Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if os.name == "posix" and os.uname().sysname == "Linux":
        ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL)
    from ..generators.cv import cv2  # in the worker, not at start-up

    cv2.setNumThreads(1)


def run_jobs(jobs: Sequence[Job], *, workers: int, time_limit_s: float = TIME_LIMIT_S) -> Iterator[Outcome]:
    """Yield the outcome of each job as it completes, in no order.

    A job whose process dies or hangs is tried again one detector at a time, so that only the guilty one
    gets a failed row. At most two jobs a worker are in flight, so memory does not grow with their number.

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


def _drive(pool: Any, waiting: list[Job], *, in_flight: int, time_limit_s: float) -> Iterator[Outcome]:
    waiting.reverse()
    flying: dict[Future[Any], Job] = {}
    while waiting or flying:
        while waiting and len(flying) < in_flight:
            job = waiting.pop()
            limit = time_limit_s * max(1, len(job.detectors))
            flying[pool.schedule(run_job, args=(job,), timeout=limit)] = job
        landed, _ = wait(flying, return_when=FIRST_COMPLETED)
        for future in landed:
            job = flying.pop(future)
            outcome = _land(future, job, retry=waiting.append)
            if outcome is not None:
                yield outcome


def _land(future: Future[Any], job: Job, *, retry: Callable[[Job], None]) -> Outcome | None:
    """Return a finished job's outcome, or None where it was split into smaller ones."""
    from pebble import ProcessExpired

    try:
        row, results = future.result()
        return row, results
    except TimeoutError:
        problem = "took longer than the time limit and was stopped"
    except ProcessExpired as error:
        problem = f"its process died ({_cause(error.exitcode)})"
    except SystemExit:
        problem = "left through sys.exit"
    except MemoryError:
        problem = "ran out of memory"
    if len(job.detectors) > 1:
        for spec in job.detectors:
            retry(replace(job, detectors=(spec,)))
        return None
    scene = Scene.from_json(job.scene).digest
    return None, [failed(scene, spec, problem=problem) for spec in job.detectors]


def _cause(exit_code: int) -> str:
    if exit_code < 0:
        return f"signal {signal.Signals(-exit_code).name}"
    return f"exit status {exit_code}"
