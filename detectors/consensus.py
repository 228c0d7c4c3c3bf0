"""Consensus of a roll: dust stays on the filter while the scene changes."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from .consensus_frame import casts, width_px
from .consensus_study import GrainEvidence, Study, from_middle, studies, study
from .contract import Photograph, Spots
from .lazy_roll import Part
from .peaks import most_candidates


def evidence(roll: Sequence[Photograph]) -> list[GrainEvidence]:
    """Return the grains that the photographs of a roll agree on, strongest first, down to a low floor.

    Nothing is registered: dust is fixed on the filter. Each photograph's responses to the shadows that its own
    aperture would cast are weighed by a heavy-tailed likelihood and added place by place; see `study`.

    Raises
    ------
    ValueError
        If the photographs differ in size.
    """
    return list(study(roll).grains)


class Consensus:
    """All photographs of a roll together: evidence of each for a grain at a place, added up.

    The score is a natural logarithm of a likelihood ratio and grows with the number of photographs as their
    squared signal-to-noise ratios do. One photograph alone is a roll of one. Photographs of different sizes are
    rolls of their own.
    """

    name = "consensus"
    version = "1"

    def detect(self, roll: Sequence[Photograph]) -> list[Spots]:
        """Return the roll's grains, mapped back onto each photograph that they lay there for."""
        return answered(roll, study)

    def detect_latest(self, roll: Sequence[Photograph], counts: Sequence[int]) -> list[Spots]:
        """Return for each count what `detect` says of the last of so many photographs; each is looked at once."""
        return answered_latest(roll, counts, studies)


def answered(roll: Sequence[Photograph], study_: Callable[[Sequence[Photograph]], Study]) -> list[Spots]:
    """Return what a study of the photographs of each size says of each photograph."""
    answers = [Spots()] * len(roll)
    for members in _by_size(roll):
        studied = study_(Part(roll, members))
        for place, index in enumerate(members):
            answers[index] = spots_in(studied, place, roll[index])
    return answers


def answered_latest(
    roll: Sequence[Photograph],
    counts: Sequence[int],
    studies_: Callable[[Sequence[Photograph], Sequence[int]], list[Study]],
) -> list[Spots]:
    """Return for each count what the studies of the roll so far say of its latest photograph."""
    answers: dict[int, Spots] = {}
    for members in _by_size(roll[: counts[-1]]):
        group = [roll[index] for index in members]
        own = [place for place, index in enumerate(members, start=1) if index + 1 in counts]
        for place, studied in zip(own, studies_(group, own) if own else [], strict=True):
            answers[members[place - 1] + 1] = spots_in(studied, place - 1, group[place - 1])
    return [answers[count] for count in counts]


def _by_size(roll: Sequence[Photograph]) -> list[list[int]]:
    groups: dict[tuple[int, int], list[int]] = {}
    for index, photograph in enumerate(roll):
        groups.setdefault(photograph.shape, []).append(index)
    return list(groups.values())


def spots_in(studied: Study, index: int, photograph: Photograph) -> Spots:
    """Return a study's grains as spots of its photograph number `index`, those outside the frame left out."""
    return located(studied, index, photograph)[0]


def located(studied: Study, index: int, photograph: Photograph) -> tuple[Spots, list[GrainEvidence]]:
    """Return a study's grains as spots of its photograph number `index`, and the grain of each spot."""
    grains = [grain for grain in studied.grains if grain.first <= index <= grain.last]
    optics = casts(photograph)
    if not grains or not optics:
        return Spots(), []
    height, width = photograph.shape
    widths = {size: width_px(size, optics) for size in {grain.diameter_um for grain in grains}}
    ratio = studied.magnifications[index]
    spots = Spots(
        x=from_middle(np.array([grain.x for grain in grains]), width, ratio),
        y=from_middle(np.array([grain.y for grain in grains]), height, ratio),
        diameter_px=np.array([widths[grain.diameter_um] for grain in grains], dtype=np.float32),
        score=np.array([grain.score for grain in grains], dtype=np.float32),
    )
    inside = (abs(spots.x - (width - 1) / 2) <= width / 2) & (abs(spots.y - (height - 1) / 2) <= height / 2)
    kept = np.flatnonzero(inside)
    order = kept[np.argsort(-spots.score[kept], kind="stable")][: most_candidates(photograph.shape)]
    return spots.take(order), [grains[number] for number in order.tolist()]
