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
from .engine import _cause, _settle

TIME_LIMIT_S = 120.0
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


def contract_verdicts(spec: str, *, time_limit_s: float = TIME_LIMIT_S) -> Iterator[Verdict]:
    """Yield the verdict of each check on a detector, in their order."""
    from pebble import ProcessPool  # keeps the command line quick to start

    context = multiprocessing.get_context("spawn")
    with ProcessPool(max_workers=1, context=context, initializer=_settle) as pool:
        flying = [(name, pool.schedule(_problem, args=(spec, name), timeout=time_limit_s)) for name in CHECKS]
        for name, future in flying:
            check = CHECKS[name]
            yield Verdict(name, check.demand, check.mend, _landed(future, time_limit_s))


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


def _landed(future: Any, time_limit_s: float) -> str | None:
    from pebble import ProcessExpired

    try:
        problem: str | None = future.result()
    except TimeoutError:
        return f"took longer than {time_limit_s:g} s and was stopped"
    except ProcessExpired as error:
        return f"its process died ({_cause(error.exitcode)})"
    return problem
