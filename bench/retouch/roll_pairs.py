"""Grains that lie so close to others that a roll takes two for one: they show once the others are mended."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...detectors.consensus import located
from ...detectors.consensus_frame import NOMINAL_F_NUMBER, SIZES_UM, width_px
from ...detectors.consensus_study import GrainEvidence, Study
from ...detectors.contract import Photograph, Spots
from ...detectors.lazy_roll import LazyRoll
from ...detectors.network.together import study_together
from ...detectors.optical_scales import FILTER_DISTANCE_MM, pixel_pitch_um
from ...generators.optics import Optics
from ..field.counted import counted
from ..field.roll_find import stronger_than
from ..repairs.division import FlatField
from .plan import Plan
from .roll_sizes import Sizes, shared_sizes

WIDTHS_OF_A_PAIR = 1.0
"""Grains nearer to each other may have been taken for one; in widths of the smallest shadow at the nominal aperture."""

WIDTHS_OF_A_REST = 2.0
"""Of what is found new so near to each other the strongest counts: both may come of one shadow put in the middle."""

APART_WIDTHS = 0.2
"""What is found nearer to a known grain is what its fit left and no grain."""


def settled(
    roll: Sequence[Photograph], whole: Study, *, limit: float, filter_distance_mm: float | None = None
) -> tuple[Study, Sizes]:
    """Return a roll's grains with more evidence than a limit, and their sizes.

    The roll is looked at once more with these grains' shadows divided out. What then has more evidence than the limit
    is taken too: of two grains less than 0.7 widths apart the first look sees one between them. Where such a neighbour
    came up, the one that was taken for both is looked for again with the neighbour alone divided out. Of three or more
    in one such clump it may name a wrong one.

    Parameters
    ----------
    whole
        What the photographs say together.
    """
    yard = _Settling(roll, whole, limit, filter_distance_mm)
    taken = yard.study(stronger_than(whole.grains, limit))
    sizes = yard.sizes(taken)
    nominal = Optics(f_number=NOMINAL_F_NUMBER, filter_distance_mm=FILTER_DISTANCE_MM, pixel_um=pixel_pitch_um(roll[0]))
    wide = width_px(SIZES_UM[0], [nominal])
    more = _more(yard.left(taken, sizes), _fitted(taken, sizes), width_px=wide) if taken.grains else []
    if not more:
        return taken, sizes
    yard = replace(yard, filter_distance_mm=sizes.filter_distance_mm)
    alone = [grain for grain in taken.grains if _apart(grain, more) > WIDTHS_OF_A_PAIR * wide]
    sure = yard.study([*alone, *more])
    both = yard.sizes(yard.study([*taken.grains, *more]), of=sure)
    found = [*sure.grains, *_more(yard.left(sure, both), _fitted(sure, both), width_px=wide)]
    unreplaced = [grain for grain in taken.grains if _apart(grain, found) > WIDTHS_OF_A_PAIR * wide]
    taken = yard.study([*found, *unreplaced])
    return taken, yard.sizes(taken)


@dataclass(frozen=True, slots=True)
class _Settling:
    """One roll, and what is done with it time and again."""

    roll: Sequence[Photograph]
    whole: Study
    limit: float
    filter_distance_mm: float | None

    def study(self, grains: Iterable[GrainEvidence]) -> Study:
        """Return a study of some grains, strongest first."""
        ordered = tuple(sorted(grains, key=lambda grain: -grain.score))
        return Study(ordered, self.whole.magnifications, self.whole.likeness)

    def sizes(self, study: Study, *, of: Study | None = None) -> Sizes:
        """Return the sizes of a study's grains, or of those of them that another names."""
        with counted(self.roll, "sizes") as shown:
            sizes = shared_sizes(shown, study, filter_distance_mm=self.filter_distance_mm)
        if of is None:
            return sizes
        place = {id(grain): index for index, grain in enumerate(study.grains)}
        which = np.array([place[id(grain)] for grain in of.grains], dtype=np.intp)
        return replace(sizes, diameter_um=sizes.diameter_um[which], error=sizes.error[which], shift=sizes.shift[which])

    def left(self, study: Study, sizes: Sizes) -> tuple[GrainEvidence, ...]:
        """Return the grains above the limit that the roll shows once a study's are divided out."""
        with counted(_Cleaned(self.roll, study, sizes), "looking again") as shown:
            return stronger_than(study_together(shown, like=self.whole).grains, self.limit)


def _more(found: Sequence[GrainEvidence], known: Sequence[GrainEvidence], *, width_px: float) -> list[GrainEvidence]:
    """Return what was found, strongest first, that is no rest of a known grain's fit.

    Of what lies within `WIDTHS_OF_A_REST` of each other the strongest alone: a shadow in the middle of two, divided
    out, leaves one on either side, and with one of them known the one in the middle moves to the other.
    """
    more: list[GrainEvidence] = []
    for grain in found:
        if _apart(grain, known) > APART_WIDTHS * width_px and _apart(grain, more) > WIDTHS_OF_A_REST * width_px:
            more.append(grain)
    return more


def _fitted(study: Study, sizes: Sizes) -> list[GrainEvidence]:
    """Return a study's grains where their shadows were fitted, and so divided out."""
    shifts = sizes.shift.tolist()
    return [replace(one, x=one.x + x, y=one.y + y) for one, (x, y) in zip(study.grains, shifts, strict=True)]


def _apart(grain: GrainEvidence, others: Sequence[GrainEvidence]) -> float:
    return min((float(np.hypot(grain.x - other.x, grain.y - other.y)) for other in others), default=np.inf)


class _Cleaned(LazyRoll):
    """A roll with a study's grains divided out, each photograph when it is asked for."""

    def __init__(self, roll: Sequence[Photograph], taken: Study, sizes: Sizes) -> None:
        self._roll, self._taken, self._sizes, self._repair = roll, taken, sizes, FlatField()

    def __len__(self) -> int:
        return len(self._roll)

    def load(self, index: int) -> Photograph:
        photograph = self._roll[index]
        plan = plan_in_roll(self._taken, self._sizes, index, photograph)
        pixels = self._repair.repair(photograph, plan.spots, plan.known).pixels
        return replace(photograph, pixels=pixels)


def plan_in_roll(taken: Study, sizes: Sizes, index: int, photograph: Photograph) -> Plan:
    """Return what is to be mended in a photograph of a roll, with what the roll says of each grain."""
    spots, grains = located(taken, index, photograph)
    number: dict[int, int] = {id(grain): place for place, grain in enumerate(taken.grains)}
    which = np.array([number[id(grain)] for grain in grains], dtype=np.intp)
    shift = sizes.shift[which] * taken.magnifications[index]
    height, width = photograph.shape
    x = np.clip(spots.x + shift[:, 0], -0.5, width - 0.5).astype(np.float32)
    y = np.clip(spots.y + shift[:, 1], -0.5, height - 0.5).astype(np.float32)
    return Plan(Spots(x, y, spots.diameter_px, spots.score), sizes.known(which))
