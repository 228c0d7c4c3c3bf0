"""A crew on other machines: the same guarded jobs, sent by dask.distributed (the extra `cluster`).

A worker of dask keeps a crew of processes of its own, as many as it has threads, so that a detector takes down one
of those and never the worker. What travels is a scene's description and the names of detectors; frames are rendered
where they are judged, and rows come back.
"""

from __future__ import annotations

import atexit
import logging
import multiprocessing
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from .allowance import Allowance
from .crew import QUEUE, Crew, Landing, LocalCrew
from .errors import YardError
from .provenance import library_versions
from .task import Task

GREETING_S = 15.0
"""Time for the scheduler to answer and for its first worker to be there."""

ABSENCE_S = 60.0
"""Time without any worker after which a run stops; what was in flight is lost, nothing else."""

FRESH_S = 5.0
"""Time between two questions to the scheduler how many workers it has."""

CREWS = 4
"""Runs for which a worker keeps processes; those of a run whose parent was killed go when others come."""

NO_DASK = "--scheduler needs dask.distributed; install it with: pip install 'moteyard[cluster]'"


@dataclass(frozen=True, slots=True)
class Orders:
    """What every job of one run goes by: a name for the run, the versions it counts on, a detector's allowance."""

    run: str
    versions: str
    allowance: Allowance


class ClusterCrew:
    """The workers of a dask scheduler; they may come and go."""

    def __init__(self, address: str, allowance: Allowance, versions: str) -> None:
        try:
            import distributed
        except ImportError as error:
            raise YardError(NO_DASK) from error
        logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters is said in a sentence
        self._address = address
        self._orders = Orders(uuid.uuid4().hex, versions, allowance)
        try:
            self._client: Any = distributed.Client(address, timeout=GREETING_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise YardError(
                f"no dask scheduler answers at {address}; start one with: dask scheduler, which prints its address"
            ) from error
        try:
            self._client.wait_for_workers(1, timeout=GREETING_S)
        except TimeoutError as error:
            self._client.close()
            raise YardError(
                f"the scheduler at {address} has no workers; start some with: dask worker {address} --no-nanny"
            ) from error
        self._executor = self._client.get_executor(pure=False)
        self._asked = self._seen = time.monotonic()
        self._threads = sum(self._client.nthreads().values())

    def room(self) -> int:
        """Return how many jobs may be in flight.

        Raises
        ------
        YardError
            If there has been no worker for long.
        """
        now = time.monotonic()
        if now - self._asked > FRESH_S:
            self._threads = sum(self._client.nthreads().values())
            self._asked = time.monotonic()
        if self._threads:
            self._seen = now
        elif now - self._seen > ABSENCE_S:
            raise YardError(
                f"the scheduler at {self._address} has lost all its workers; start some and run the same command "
                "again to go on"
            )
        return int(QUEUE * self._threads)

    def submit(self, job: Task[Any]) -> Future[Any]:
        """Start a job."""
        future: Future[Any] = self._executor.submit(do_job, job, self._orders)
        return future

    def land(self, future: Future[Any]) -> Landing | None:
        """Return what came of a job.

        Raises
        ------
        YardError
            If the scheduler is gone, or a worker can't do jobs of this run.
        """
        from distributed import KilledWorker

        try:
            landing: Landing | None = future.result()
        except KilledWorker:
            return Landing(problem="the cluster's workers that tried it died one after the other")
        except CancelledError as error:
            raise YardError(
                f"the scheduler at {self._address} is gone; start it and run the same command again to go on"
            ) from error
        except ImportError as error:
            raise YardError(
                f"a worker of {self._address} can't do it ({error}); install the same moteyard there"
            ) from error
        return landing

    def close(self) -> None:
        """Let the workers' processes of this run go."""
        self._client.run(dismiss, self._orders.run, on_error="ignore")
        self._client.close()

    def stop(self) -> None:
        """Take back the jobs and let go, whether or not the scheduler still answers."""
        self._executor.shutdown(wait=False)
        self._client.close(timeout=2)


def do_job(job: Task[Any], orders: Orders) -> Landing:
    """Do a job on a worker of dask, in processes that may be lost, and return what came of it."""
    with _crew(orders) as crew:
        while (landing := crew.land(crew.submit(job))) is None:
            pass  # the pool broke under it and has been renewed
        return landing


_crews: dict[str, Crew] = {}
_at_work: Counter[str] = Counter()
_door = threading.Lock()


@contextmanager
def _crew(orders: Orders) -> Iterator[Crew]:
    """Yield this worker's crew for a run. Its processes are fresh, so they have loaded the code of that time."""
    with _door:
        if orders.run not in _crews:
            _check_worker(orders)
            _make_room()
            _crews[orders.run] = LocalCrew(_threads(), orders.allowance)
            atexit.register(dismiss, orders.run)
        crew = _crews[orders.run]
        _at_work[orders.run] += 1
    try:
        yield crew
    finally:
        with _door:
            _at_work[orders.run] -= 1
            if not _at_work[orders.run]:
                del _at_work[orders.run]


def _make_room() -> None:
    """Let the oldest idle crew go where there are too many; one that is at work stays."""
    idle = [run for run in _crews if not _at_work[run]]
    if len(_crews) >= CREWS and idle:
        _crews.pop(idle[0]).stop()


def _check_worker(orders: Orders) -> None:
    if multiprocessing.current_process().daemon:
        raise YardError(
            "dask's nanny forbids its workers processes of their own; start them with: dask worker ADDRESS --no-nanny"
        )
    if library_versions() != orders.versions:
        raise YardError(
            f"a worker has {library_versions()} where this run has {orders.versions}, and pixels may differ; "
            "install the same versions"
        )


def _threads() -> int:
    from distributed import get_worker

    return int(get_worker().state.nthreads)


def dismiss(run: str) -> None:
    """Let go of this worker's processes for a run."""
    with _door:
        crew = _crews.pop(run, None)
    if crew is not None:
        crew.stop()
