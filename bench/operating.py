"""A result at its chosen thresholds."""

from __future__ import annotations

from pathlib import Path

from .cells import Table
from .choice import Choice, read_choice
from .errors import YardError
from .rank_command import make_choice
from .run import stored_table
from .store import Store, open_store


def thresholds(choice: Choice) -> dict[tuple[str, float], float]:
    """Return the threshold of each cell, by ground and f-number."""
    return {(cell.ground, cell.f_number): cell.threshold for cell in choice.cells}


def load_operating(folder: Path, *, detector: str | None, file: Path | None) -> tuple[Table, str, Choice]:
    """Return a result's table, the method's name and its thresholds.

    Parameters
    ----------
    detector
        A method of the result; None takes the one that the thresholds are for.
    file
        A threshold file; None takes the result's own. A method that it is not for gets thresholds chosen now,
        by the same wish.

    Raises
    ------
    YardError
        If results or thresholds are missing, or are of another code than the stored results.
    """
    store = open_store(folder)
    try:
        table, _ = stored_table(store)
        choice = read_choice(file or folder)
        method = detector or choice.method
        if method not in table:
            raise YardError(f"{folder} has no complete results of {method!r}; it has {', '.join(table) or 'none'}")
        return table, method, _fitting(choice, store, table, method, given=file)
    finally:
        store.close()


def _fitting(choice: Choice, store: Store, table: Table, method: str, *, given: Path | None) -> Choice:
    if choice.fingerprint == table[method][0].result.fingerprint:
        return choice
    if given is not None or method == choice.method:
        raise YardError(
            f"the thresholds are of {choice.fingerprint}, the results of {table[method][0].result.fingerprint}; "
            "choose again with: moteyard threshold"
        )
    return make_choice(store, table, method, choice.wish)
