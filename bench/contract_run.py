"""The contract's checks on one detector, each in a process that it may take down."""

from __future__ import annotations

import multiprocessing
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..detectors.check import ContractError
from ..detectors.contract_checks import CHECKS
from ..detectors.registry import load
from .crew import cause, settle

TIME_LIMIT_S = 60.0
"""Time that one check may take before it is stopped: the slowest shipped method needs two seconds."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """How one check came out.

    Attributes
    ----------
    name, demand, mend
        As in `CHECKS`.
    problem
        What is wrong, or None where the demand is met.
    """

    name: str
    demand: str
    mend: str
    problem: str | None


PATIENCE = 2
"""Checks that may be stopped for time; what comes after is not tried."""


def contract_verdicts(spec: str, *, time_limit_s: float = TIME_LIMIT_S) -> Iterator[Verdict]:
    """Yield the verdict of each check on a detector, in their order."""
    from pebble import ProcessPool  # keeps the command line quick to start

    pool: Any = ProcessPool(max_workers=1, context=multiprocessing.get_context("spawn"), initializer=settle)
    stopped = 0
    try:
        for name, check in CHECKS.items():
            if stopped < PATIENCE:
                problem, in_time = _tried(pool, spec, name, time_limit_s)
                stopped += not in_time
            else:
                problem = f"was not tried after {PATIENCE} checks took too long"
            yield Verdict(name, check.demand, check.mend, problem)
    finally:
        pool.stop()
        pool.join()


def _tried(pool: Any, spec: str, name: str, time_limit_s: float) -> tuple[str | None, bool]:
    """Return what is wrong, and whether the check came to an end in time."""
    from pebble import ProcessExpired

    try:
        return pool.schedule(_problem, args=(spec, name), timeout=time_limit_s).result(), True
    except TimeoutError:
        return f"took longer than {time_limit_s:g} s and was stopped", False
    except ProcessExpired as error:
        return f"took its process down ({cause(error.exitcode)})", True


def _problem(spec: str, name: str) -> str | None:
    """Run one check; this is what travels to the worker."""
    try:
        CHECKS[name].run(lambda: load(spec))
    except ContractError as error:
        return str(error)
    except (Exception, KeyboardInterrupt, SystemExit) as error:  # a stranger's code may raise anything
        return _words(error, Path(spec.rpartition(":")[0]))
    return None


def _words(error: BaseException, file: Path) -> str:
    """Return what was raised, the deepest line of the detector's own file, and the case at hand."""
    steps = [step for step in traceback.extract_tb(error.__traceback__) if Path(step.filename).name == file.name]
    place = f" at line {steps[-1].lineno}" if steps else ""
    case = "".join(f", {note}" for note in getattr(error, "__notes__", ()))
    return f"raised {type(error).__name__}{place}{case}: {error}"
