"""One method on one roll after some of its photographs, as the statistics see it."""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from .cells import Record
from .store import FrameRow, ResultRow

FloatArray = NDArray[np.float64]

FALSE_ALARMS = 1.0
"""False alarms a roll that a threshold may give, a method's and the ideal observer's."""

CLEAR = 5.5
"""d′ above which a grain stands clear of the noise: 0.5 more than the signal-to-noise ratio of 5 at which things are
seen for certain (A. Rose, J. Opt. Soc. Am. 38, 196, 1948, from memory)."""


@dataclass(frozen=True, slots=True)
class RollScore:
    """One method on one roll after some of its photographs, judged on the latest of them.

    Attributes
    ----------
    detector, kind, roll
        Names of the method, of the make-up and of the roll.
    count
        Photographs given to the method.
    scenes
        How many of them show a scene that none before did.
    places
        Independent places of the latest photograph, where the ideal observer may err; see `ceiling.places`.
    detectability
        √(Σ d′²) over those scenes of each grain that lies in the latest, (n,).
    score, hit
        Of the candidates, (m,).
    cpu_s
        Of the method on the whole roll, all counts together.
    """

    detector: str
    kind: str
    roll: str
    count: int
    scenes: int
    places: int
    detectability: FloatArray
    score: FloatArray
    hit: NDArray[np.bool_]
    cpu_s: float = float("nan")

    @classmethod
    def of(cls, frame: FrameRow, result: ResultRow, *, count: int) -> RollScore:
        """Return the score that two rows of a store hold."""
        record, recipe = Record(frame, result), json.loads(frame.recipe)
        return cls(
            detector=result.detector,
            kind=frame.ground,
            roll=frame.block,
            count=count,
            scenes=int(recipe["scenes"]),
            places=int(recipe["places"]),
            detectability=frame.truth["detectability"][frame.truth["counted"]].astype(np.float64),
            score=record.score.astype(np.float64),
            hit=record.hit,
            cpu_s=result.cpu_s,
        )

    @property
    def truths(self) -> int:
        """Number of grains."""
        return len(self.detectability)

    @property
    def ideal(self) -> float:
        """Number of grains that the ideal observer finds on average at `FALSE_ALARMS`."""
        return float(np.sum(ideal_share(self.detectability, self.places)))

    @property
    def clear(self) -> int:
        """Number of grains that stand clear of the noise."""
        return int(np.count_nonzero(self.detectability > CLEAR))

    @property
    def average_detectability(self) -> FloatArray:
        """Root mean square of d′ over scenes, (n,): what one photograph holds."""
        return np.asarray(self.detectability / np.sqrt(self.scenes))


def ideal_share(detectability: FloatArray, places: int) -> FloatArray:
    """Return with which probability the ideal observer finds grains of d′ at `FALSE_ALARMS` on so many places.

    Its response has unit variance, the mean d′ on a grain and 0 elsewhere, so its threshold is where the Gaussian
    tail leaves `FALSE_ALARMS`/places, and a grain is above it with probability Φ(d′ − threshold).

    >>> ideal_share(np.array([0.0, 3.0902, 9.0]), 1000).round(3)
    array([0.001, 0.5  , 1.   ])
    """
    if places <= FALSE_ALARMS:
        return np.ones(len(detectability))
    return np.asarray(ndtr(detectability + ndtri(FALSE_ALARMS / places)))
