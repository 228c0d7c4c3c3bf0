"""What a detector may take on one frame, time and memory, and the kernel's help in holding it to that."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

GB = 1e9

SHARED = 0.8
"""Part of the machine's memory that all workers' detectors may fill together; the rest is for frames and system."""


@dataclass(frozen=True, slots=True)
class Allowance:
    """Limits of one call of one detector.

    Attributes
    ----------
    time_s
        Wall-clock time.
    memory_gb
        Memory that the call may add to what its process holds, in 10⁹ bytes. None stands for the worker's even part
        of `SHARED` of the machine's memory, see `among`.
    """

    time_s: float = 120.0
    memory_gb: float | None = None

    def among(self, workers: int) -> Allowance:
        """Return the allowance with its memory settled for one of so many workers of this machine."""
        memory = machine_memory()
        if self.memory_gb is not None or memory is None:
            return self
        return replace(self, memory_gb=SHARED * memory / GB / workers)

    @property
    def memory_words(self) -> str:
        """The limit of memory in words, nothing where there is none."""
        return "" if self.memory_gb is None else f" (limit {self.memory_gb:.3g} GB)"


def machine_memory() -> int | None:
    """Return the bytes of memory that this process may count on: the machine's, or its control group's if less."""
    try:
        found = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return None
    groups = (Path("/sys/fs/cgroup/memory.max"), Path("/sys/fs/cgroup/memory/memory.limit_in_bytes"))
    limits = [int(text) for path in groups if path.is_file() and (text := path.read_text().strip()).isdigit()]
    return min([found, *limits])


@contextmanager
def kept_to(allowance: Allowance) -> Iterator[None]:
    """Hold what runs inside to an allowance; for the main thread of a process that may be lost.

    Past its memory an allocation fails, which Python turns into MemoryError. Past its time the kernel ends the
    process by SIGALRM, whatever loop in C it is in: a handler in Python would wait for that loop. Where the system
    knows no such limits (memory: other systems than Linux; time: Windows) the call goes on, and the pool's own
    limit of time stops it later.
    """
    with _memory_limit(allowance.memory_gb), _time_limit(allowance.time_s):
        yield


@contextmanager
def _time_limit(seconds: float) -> Iterator[None]:
    if not hasattr(signal, "setitimer"):
        yield
        return
    before = signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@contextmanager
def _memory_limit(gigabytes: float | None) -> Iterator[None]:
    """Limit private writable memory (Linux counts anonymous mappings in RLIMIT_DATA, touched or not)."""
    held = _held_bytes()
    if gigabytes is None or held is None:
        yield
        return
    import resource  # not on every system

    soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
    least = [limit for limit in (soft, hard) if limit != resource.RLIM_INFINITY]
    resource.setrlimit(resource.RLIMIT_DATA, (min([held + int(gigabytes * GB), *least]), hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))


def _held_bytes() -> int | None:
    """Return what the process holds now, counted as RLIMIT_DATA does; None on other systems than Linux."""
    try:
        with open("/proc/self/statm", "rb", buffering=0) as file:
            text = file.read()
    except OSError:
        return None
    return int(text.split()[5]) * os.sysconf("SC_PAGE_SIZE")
