"""What is to be mended in a photograph, by what is asked: one detector's word on it alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph, Spots
from ...detectors.registry import fingerprint
from ...generators.photo_io import Picture
from ..field.find import Find, Judge, answer_of
from ..repairs.contract import Known


@dataclass(frozen=True, slots=True)
class Doubtful:
    """A place that is not touched and shown to the user.

    Attributes
    ----------
    number
        In the order of all the photograph's spots, from 1.
    x, y, diameter_px, evidence
        As a detector, or the roll, or the test frames say.
    why
        Why it is left.
    """

    number: int
    x: float
    y: float
    diameter_px: float
    evidence: float
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be mended in a photograph, what is known of it, and what is only shown to the user.

    Attributes
    ----------
    spots, known
        What is handed to the repair.
    doubtful
        What is not.
    numbers
        Of the spots, in the order of all the photograph's, from 1, integers (m,); None counts them.
    """

    spots: Spots
    known: Known
    doubtful: tuple[Doubtful, ...] = ()
    numbers: NDArray[np.intp] | None = field(default=None)

    def number(self, index: int) -> int:
        """Return the number of a spot."""
        return index + 1 if self.numbers is None else int(self.numbers[index])


Planner = Callable[[Photograph, Picture], Plan]


def judge_planner(judge: Judge, filter_distance_mm: float | None) -> Planner:
    """Return what looks at each photograph alone: spots on trusted ground are mended, the others are for the hand.

    They have the numbers that `find` gives them.
    """

    def plan(photograph: Photograph, picture: Picture) -> Plan:
        answer = answer_of(judge.detector, photograph, picture.path)[0]
        finds, _ = judge.take(photograph, answer.strongest(len(answer)))
        sure = [(number, find) for number, find in enumerate(finds, start=1) if find.trusted]
        table = np.array([(f.x, f.y, f.diameter_px, f.score) for _, f in sure], np.float32).reshape(-1, 4)
        doubtful = tuple(_doubt(number, find) for number, find in enumerate(finds, start=1) if not find.trusted)
        numbers = np.array([number for number, _ in sure], dtype=np.intp)
        return Plan(Spots(*table.T), Known(filter_distance_mm), doubtful, numbers)

    return plan


def _doubt(number: int, find: Find) -> Doubtful:
    why = f"the detector is not to be trusted on ground like {find.ground}"
    return Doubtful(number, find.x, find.y, find.diameter_px, find.score, why)


def judge_words(judge: Judge) -> dict[str, Any]:
    """Return what names a judge in records."""
    choice = None if judge.choice is None else asdict(judge.choice)
    return {
        "evidence": "each photograph alone",
        "detector": fingerprint(judge.detector),
        "threshold": repr(judge.threshold),
        "choice": repr(choice),
    }
