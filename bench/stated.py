"""Whether the probabilities that a run's methods state hold on that run's frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .cells import Record, Table
from .reliability import Reliability, reliability

ALL = "all"
"""What the grounds together are called."""


def stated(table: Table, specs: Mapping[str, str]) -> dict[str, dict[str, Reliability]]:
    """Return the reliability of each method whose scores are probabilities, over all and on each ground.

    Those are the calibrated ones, named by their file; frames of a run are none that they were fitted on. One that
    has no candidate that counts is left out.

    Parameters
    ----------
    specs
        Method name to what `--detector` took.
    """
    found = {
        name: _reliabilities(table[name]) for name, spec in specs.items() if spec.endswith(".json") and name in table
    }
    return {name: shown for name, shown in found.items() if shown}


def _reliabilities(records: Sequence[Record]) -> dict[str, Reliability]:
    names = sorted({record.frame.block for record in records})
    number = {name: index for index, name in enumerate(names)}
    sizes = [len(record.score) for record in records]
    if not sum(sizes):
        return {}
    return by_ground(
        np.concatenate([record.score for record in records]),
        np.concatenate([record.hit for record in records]),
        ground=np.repeat(np.array([record.frame.ground for record in records], dtype=np.str_), sizes),
        block=np.repeat([number[record.frame.block] for record in records], sizes),
    )


def by_ground(
    probability: NDArray[Any], hit: NDArray[Any], *, ground: NDArray[np.str_], block: NDArray[np.intp]
) -> dict[str, Reliability]:
    """Return the reliability over all candidates (m,) and of each ground's."""
    found = {ALL: reliability(probability, hit, block=block)}
    for name in dict.fromkeys(ground.tolist()):
        here = ground == name
        found[name] = reliability(probability[here], hit[here], block=block[here])
    return found
