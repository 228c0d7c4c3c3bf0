"""How much of a roll's dust a method finds after one, four, eight … photographs, beside the ideal observer's share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..detectors.check import check_answer
from ..detectors.contract import Detector, Photograph
from ..detectors.registry import load
from ..generators.roll import Roll, render_roll
from ..generators.truth import Truth
from .curve import Curve, curve
from .handover import photograph
from .label import label

IDEAL_D_PRIME = 5.5
"""An observer with √(Σ d′²) above this has a chance of 2e-8 of taking a place without a grain for one (Gaussian
tail), which leaves far less than one false alarm on the 1e6 places of a frame."""

FALSE_ALARMS = 1.0
"""False alarms a roll at which recall is read."""


@dataclass(frozen=True, slots=True)
class RollScore:
    """One method on one roll after some of its photographs, judged on the latest of them.

    Attributes
    ----------
    kind, roll
        Label of the kind and name of the roll.
    count
        Photographs given to the method.
    detectability
        √(Σ d′²) over those photographs of each grain that lies in the latest, (n,).
    first_detectability
        Root mean square of d′ over the roll for the same grains, (n,): what one photograph holds.
    score, hit
        Of the candidates, (m,).
    """

    kind: str
    roll: str
    count: int
    detectability: NDArray[np.float64]
    first_detectability: NDArray[np.float64]
    score: NDArray[np.float32]
    hit: NDArray[np.bool_]

    @property
    def truths(self) -> int:
        """Number of grains."""
        return len(self.detectability)

    @property
    def ideal(self) -> int:
        """Number of grains that the ideal observer is sure of."""
        return int(np.sum(self.detectability > IDEAL_D_PRIME))


def judge_roll(kind: str, roll: Roll, spec: str, *, counts: Sequence[int]) -> list[RollScore]:
    """Render a roll, give a detector its first photographs, more each time, and score each answer."""
    detector = load(spec)
    shots: list[Photograph] = []
    truths: list[Truth] = []
    scores = []
    for frame in render_roll(roll):
        shots.append(photograph(frame))
        truths.append(frame.truth)
        if len(shots) in counts:
            scores.append(_score(kind, roll.name, detector, shots, truths))
    return scores


def _score(kind: str, name: str, detector: Detector, shots: Sequence[Photograph], truths: Sequence[Truth]) -> RollScore:
    answer = detector.detect(list(shots))
    check_answer(answer, shots)
    spots, truth = answer[-1], truths[-1]
    labels = label(
        np.column_stack([truth.x, truth.y]),
        truth.fwhm_px / 2,
        ignored=np.zeros(len(truth), dtype=bool),
        spots_xy=np.column_stack([spots.x, spots.y]),
        score=spots.score,
    )
    total = np.sqrt(sum(seen**2 for seen in _by_frame(truths)))
    return RollScore(
        kind=kind,
        roll=name,
        count=len(shots),
        detectability=total,
        first_detectability=total / np.sqrt(len(shots)),
        score=spots.score,
        hit=labels.hit,
    )


def _by_frame(truths: Sequence[Truth]) -> list[NDArray[np.float64]]:
    """Return for each photograph d′ of the grains in the latest one, 0 where a grain lay elsewhere or not at all."""
    latest = truths[-1]
    keys = list(zip(latest.identity.tolist(), latest.x_mm.tolist(), latest.y_mm.tolist(), strict=True))
    found = []
    for truth in truths:
        places = zip(truth.identity.tolist(), truth.x_mm.tolist(), truth.y_mm.tolist(), strict=True)
        known = dict(zip(places, truth.detectability.tolist(), strict=True))
        found.append(np.array([known.get(key, 0.0) for key in keys], dtype=np.float64))
    return found


@dataclass(frozen=True, slots=True)
class Reading:
    """Several rolls of one kind after the same number of photographs.

    Attributes
    ----------
    recall, ideal
        Share of all grains found at `FALSE_ALARMS` a roll or fewer, and the ideal observer's share; 0 to 1, larger
        is better, nan without a grain.
    threshold
        The least score that is let in; inf if none may be.
    """

    kind: str
    count: int
    grains: int
    recall: float
    ideal: float
    threshold: float


def reading(scores: Sequence[RollScore]) -> Reading:
    """Return the recall of rolls of one kind and count at the laxest threshold with few enough false alarms."""
    counts = pooled(scores)
    allowed = np.flatnonzero(counts.false_alarms_per_frame <= FALSE_ALARMS)
    grains = sum(score.truths for score in scores)
    ideal = sum(score.ideal for score in scores)
    last = int(allowed[-1]) if len(allowed) else -1
    found = float(counts.hits[last]) if len(allowed) else 0.0
    return Reading(
        kind=scores[0].kind,
        count=scores[0].count,
        grains=grains,
        recall=found / grains if grains else float("nan"),
        ideal=ideal / grains if grains else float("nan"),
        threshold=float(counts.threshold[last]) if len(allowed) else float("inf"),
    )


def pooled(scores: Sequence[RollScore]) -> Curve:
    """Return hits and false alarms of several rolls at every threshold, a roll standing for a frame."""
    return curve(
        np.concatenate([score.score for score in scores]),
        np.concatenate([score.hit for score in scores]),
        truths=sum(score.truths for score in scores),
        frames=len(scores),
    )


def at_threshold(scores: Sequence[RollScore], threshold: float) -> tuple[float, float]:
    """Return recall and false alarms a roll of the candidates that score above a threshold."""
    hits = sum(int(np.sum(score.hit[score.score > threshold])) for score in scores)
    false = sum(int(np.sum(~score.hit[score.score > threshold])) for score in scores)
    grains = sum(score.truths for score in scores)
    return (hits / grains if grains else float("nan")), false / len(scores)


def readings(scores: Sequence[RollScore]) -> list[Reading]:
    """Return one reading for each kind and count, in the order of the scores."""
    keys = dict.fromkeys((score.kind, score.count) for score in scores)
    return [reading([score for score in scores if (score.kind, score.count) == key]) for key in keys]
