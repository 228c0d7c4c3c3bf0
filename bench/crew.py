"""Who does the jobs: what the driver of a run asks of them, and the crew of processes on this machine."""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import signal
import sys
import threading
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from multiprocessing.connection import wait
from typing import Any, Protocol

from .allowance import Allowance
from .errors import YardError
from .store import ResultRow
from .task import Task

QUEUE = 2
"""Jobs in flight for each worker: one at work and one that waits, so that memory does not grow with their number."""

RENDER_S = 600.0
"""Time for rendering and judging a frame or a roll, beside the detectors' own; beyond it the worker hangs."""

RENEWALS = 5
"""Pools in a row that may break before any job of theirs lands; then something is wrong with the machine."""

THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
"""How many threads libraries start; workers are the parallelism."""

_DIE_WITH_PARENT = 1
"""PR_SET_PDEATHSIG of Linux's prctl(2)."""

LEFT = 121
"""Exit status in place of 0 for a process that leaves in the middle of a job: a pool takes 0 for an orderly end."""


@dataclass(frozen=True, slots=True)
class Landing:
    """What came of a job: what it made and its results, or the problem that took its process down."""

    made: Any = None
    results: list[ResultRow] = field(default_factory=list)
    problem: str | None = None


class Crew(Protocol):
    """Takes jobs and answers with futures; `land` reads one that is done."""

    def room(self) -> int:
        """Return how many jobs may be in flight."""

    def submit(self, job: Task[Any]) -> Future[Any]:
        """Start a job."""

    def land(self, future: Future[Any]) -> Landing | None:
        """Return what came of a job, or None if it was lost through no fault of its own and is to be done again."""

    def close(self) -> None:
        """Let go of idle workers."""

    def stop(self) -> None:
        """Let go of workers, whatever they are at."""


class LocalCrew:
    """Processes on this machine, each of which may be lost; several threads may give it jobs."""

    def __init__(self, workers: int, allowance: Allowance) -> None:
        self._workers = workers
        self._allowance = allowance.among(workers)
        self._broken = 0
        self._door = threading.Lock()
        for variable in THREAD_VARIABLES:
            os.environ.setdefault(variable, "1")
        self._pool = self._new_pool()

    def _new_pool(self) -> Any:
        from pebble import ProcessPool  # keeps the command line quick to start

        context = multiprocessing.get_context("spawn")
        return ProcessPool(max_workers=self._workers, context=context, initializer=settle)

    def room(self) -> int:
        """Return how many jobs may be in flight."""
        return QUEUE * self._workers

    def submit(self, job: Task[Any]) -> Future[Any]:
        """Start a job, in a new pool if the last one broke."""
        limit = RENDER_S + self._allowance.time_s * job.looks
        with self._door:  # two threads that find a pool broken make one new pool
            try:
                future: Future[Any] = self._pool.schedule(do, args=(job, self._allowance), timeout=limit)
            except RuntimeError:  # the pool's word for being broken
                self.stop()
                self._pool = self._new_pool()
                future = self._pool.schedule(do, args=(job, self._allowance), timeout=limit)
        return future

    def land(self, future: Future[Any]) -> Landing | None:
        """Return what came of a job, or None if the pool broke under it.

        Raises
        ------
        YardError
            If pools break one after the other.
        Exception
            Whatever the rendering itself raised: that is the yard's fault, not a detector's.
        """
        try:
            landing = _landing(future)
        except BrokenProcessPool as error:
            with self._door:
                self._broken += 1
                broken = self._broken
            if broken > RENEWALS * self.room():
                raise YardError(
                    "worker processes die before they can take a job; see what they print above, "
                    "make memory free, or try --workers 1"
                ) from error
            return None
        self._broken = 0
        return landing

    def close(self) -> None:
        """Let go of idle workers."""
        self._pool.close()
        self._pool.join()

    def stop(self) -> None:
        """Let go of workers, whatever they are at."""
        self._pool.stop()
        self._pool.join()


def do(job: Task[Any], allowance: Allowance) -> tuple[Any, list[ResultRow]]:
    """Do a job in this process."""
    return job.run(allowance)


def settle() -> None:
    """Prepare a worker: one thread each, gone when the parent is gone, deaf to the terminal's Ctrl-C.

    What a detector prints goes to the error stream, from C too: the output is the parent's table.
    """
    _die_with_parent()
    sys.stdout = sys.stderr
    os.dup2(2, 1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _count_every_exit()
    from ..generators.cv import cv2  # in the worker, not at start-up

    cv2.setNumThreads(1)


def _die_with_parent() -> None:
    """End this process when its parent ends, however it ends; Linux does it even in the middle of a loop in C."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return
    threading.Thread(target=_outlive_by_nothing, args=(parent.sentinel,), daemon=True).start()
    if os.name == "posix" and os.uname().sysname == "Linux":
        ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL)


def _outlive_by_nothing(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)


def _count_every_exit() -> None:
    """Give an exit with status 0 in this very process, not in its children, another one: `LEFT`."""
    leave, mine = os._exit, os.getpid()

    def _exit(status: int) -> Any:
        leave(LEFT if status == 0 and os.getpid() == mine else status)

    os._exit = _exit


def _landing(future: Future[Any]) -> Landing:
    from pebble import ProcessExpired

    try:
        made, results = future.result()
        return Landing(made, results)
    except TimeoutError:
        problem = "took longer than the time limit and was stopped"
    except ProcessExpired as error:
        problem = cause(error.exitcode)
    return Landing(problem=problem)


def cause(exit_code: int) -> str:
    """Say in words how a process ended."""
    if exit_code == -getattr(signal, "SIGALRM", 0):
        return "took longer than the time limit and was stopped"
    if exit_code == LEFT:
        return "its process left (exit status 0)"
    if exit_code < 0:
        name = signal.Signals(-exit_code).name
        reason = ", as the system does when memory runs out" if name == "SIGKILL" else ""
        return f"its process died (signal {name}{reason})"
    return f"its process died (exit status {exit_code})"
