"""From a roll of photographs to the grains that they agree on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..generators.optics import Optics
from .consensus_frame import casts, step_for, width_px
from .consensus_ledger import Ledger
from .consensus_likelihood import longest_standing
from .consensus_scale import magnification
from .consensus_scene import SAME, likeness
from .consensus_way import Optically, Way
from .contract import FloatArray, Photograph, Spots
from .peaks import local_maxima, refine, without_doubles
from .picture import Picture

FLOOR = 1.0
"""Evidence (ln of the likelihood ratio of a grain to none) under which a place is not looked at again."""

PLACES_PER_MEGAPIXEL = 100
"""Places looked at again a megapixel of the photograph, strongest first."""

PLACES_AT_LEAST = 100
"""Places looked at again in any roll, however small its frames."""

HALO_WIDTHS = 1.3
"""A shadow that differs a little from the predicted one leaves a ring about it, this many widths in radius."""

HALO_SHARE = 0.2
"""A place in that ring with less than this share of the shadow's evidence is the ring's."""

REMEMBERED = 4
"""Scenes that a new photograph is compared with."""


@dataclass(frozen=True, slots=True)
class GrainEvidence:
    """One grain on the filter, and what each photograph says of it.

    Attributes
    ----------
    x, y
        Centre of its shadow in pixels of the roll's first photograph.
    diameter_um
        Size class: the diameter of a round grain at the nominal filter distance whose shadows fit best.
    score
        Evidence over the roll, ln of the likelihood ratio of a grain to none; 0 speaks for neither.
    by_frame
        What each photograph adds, float32 (photographs,); read-only.
    first, last
        Index of the first and the last photograph that it lay there for.
    """

    x: float
    y: float
    diameter_um: float
    score: float
    by_frame: FloatArray
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Study:
    """What a roll of photographs of one size says.

    Attributes
    ----------
    grains
        Strongest first.
    magnifications
        Of each photograph's shadows about the middle, relative to the first's.
    likeness
        How much each photograph's scene is one that was there before, 0 to 1; see `consensus_scene`.
    """

    grains: tuple[GrainEvidence, ...]
    magnifications: tuple[float, ...]
    likeness: tuple[float, ...]


def study(roll: Sequence[Photograph]) -> Study:
    """Return the grains of a roll and how its photographs lie to each other.

    The roll is read twice, one photograph at a time, and may be a sequence that loads them as they are asked for:
    first everywhere, to propose places, then at those places with each shadow taken out of its own noise.

    Raises
    ------
    ValueError
        If the photographs differ in size.
    """
    return studies(roll, (len(roll),))[0]


def studies(roll: Sequence[Photograph], counts: Sequence[int]) -> list[Study]:
    """Return what the first photographs of a roll say, for each of `counts`, what `study` says of just those.

    A photograph adds the same whatever follows it, so it is read twice however many counts there are.

    Parameters
    ----------
    counts
        Rising, up to the roll's length.

    Raises
    ------
    ValueError
        If the photographs differ in size.
    """
    return gathered(roll, counts, Optically(step_for(roll[0]) if len(roll) else 0))


def gathered(roll: Sequence[Photograph], counts: Sequence[int], way: Way, *, like: Study | None = None) -> list[Study]:
    """Return what `studies` does, by any way of looking.

    Parameters
    ----------
    like
        A study of the same photographs, whose magnifications and likeness hold; None finds them.
    """
    if len(roll) == 0 or way.step < 1:
        return [Study((), (1.0,) * count, (0.0,) * count) for count in counts]
    survey, optics = Survey(roll[0].shape, way, like), tuple[Optics, ...]()
    proposals = []
    for number in range(1, counts[-1] + 1):
        photograph = roll[number - 1]  # once: the roll may load it now
        survey.add(photograph)
        optics = optics or casts(photograph)
        if number in counts:
            proposals.append(Proposal(number, optics, survey.places(optics)))
    evidence = _second_look(roll, survey, proposals)
    return [
        Study(
            tuple(_grains(proposal, by_frame, survey)),
            tuple(survey.magnifications[: proposal.count]),
            tuple(survey.likeness[: proposal.count]),
        )
        for proposal, by_frame in zip(proposals, evidence, strict=True)
    ]


class Survey:
    """A first look at the photographs of a roll, one after the other, in memory that does not grow with them."""

    def __init__(self, shape: tuple[int, int], way: Way, like: Study | None = None) -> None:
        self.shape, self.way, self._like = shape, way, like
        self.ledger = Ledger((shape[0] // way.step, shape[1] // way.step), len(way.proposed_um))
        self.magnifications: list[float] = []
        self.likeness: list[float] = []
        self._scenes: list[FloatArray] = []

    def add(self, photograph: Photograph) -> None:
        """Add what a photograph says, unless it repeats a scene that was there before."""
        if photograph.shape != self.shape:
            sizes = [f"{width}×{height}" for height, width in (self.shape, photograph.shape)]
            raise ValueError(f"the photographs of a roll must have one size, not {sizes[0]} and {sizes[1]}")
        index = len(self.likeness)
        seen = self.way.look(photograph, index)
        if self._like is not None:
            self.likeness.append(self._like.likeness[index])
            self.magnifications.append(self._like.magnifications[index])
            if self.likeness[-1] < SAME:
                self.ledger.add(seen.maps(), self.magnifications[-1])
            return
        self.likeness.append(max((likeness(seen.scene, before) for before in self._scenes), default=0.0))
        self.magnifications.append(self.magnifications[-1] if self.magnifications else 1.0)
        if self.likeness[-1] < SAME:
            maps = list(seen.maps())
            own = _largest([map_ for _, map_ in maps], self.ledger.shape)
            self.magnifications[-1] = magnification(own, self.ledger, before=self.magnifications[-1])
            self.ledger.add(maps, self.magnifications[-1])
            self._scenes = [*self._scenes, seen.scene][-REMEMBERED:]

    def places(self, optics: Sequence[Optics]) -> Spots:
        """Return the places to look at again, in steps of the grid."""
        if not optics:
            return Spots()
        sizes = [width_px(grain, optics) / self.way.step for grain in self.way.proposed_um]
        widths = np.array(sizes, dtype=np.float32)
        radius = max(1, round(float(widths.min()) / 4))
        evidence = self.ledger.evidence()
        rows, columns = local_maxima(evidence, radius=radius, floor=FLOOR)
        y, x, height = refine(evidence, rows, columns)
        found = Spots(x=x, y=y, diameter_px=widths[self.ledger.sizes(rows, columns)], score=height)
        megapixels = self.shape[0] * self.shape[1] / 1e6
        return without_doubles(found).strongest(max(PLACES_AT_LEAST, round(PLACES_PER_MEGAPIXEL * megapixels)))


def _largest(maps: Sequence[FloatArray], shape: tuple[int, int]) -> FloatArray:
    largest = np.zeros(shape, dtype=np.float32)
    for map_ in maps:
        np.maximum(largest, map_, out=largest)
    return largest


def from_middle(position: FloatArray, length: int, magnification: float) -> FloatArray:
    """Return positions along an axis of `length` samples, moved away from its middle by a magnification."""
    middle = (length - 1) / 2
    return np.asarray(middle + (position - middle) * magnification, dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Proposal:
    """Places to look at again once so many photographs have been read, and what casts the shadows in them."""

    count: int
    optics: tuple[Optics, ...]
    places: Spots


def _second_look(roll: Sequence[Photograph], survey: Survey, proposals: Sequence[Proposal]) -> list[FloatArray]:
    """Return what each photograph says at each proposal's places, (photographs, sizes, places) each."""
    height, width = survey.ledger.shape
    sizes = len(survey.way.told_um)
    evidence = [np.zeros((one.count, sizes, len(one.places)), dtype=np.float32) for one in proposals]
    for index, likeness_ in enumerate(survey.likeness):
        asked = [n for n, one in enumerate(proposals) if index < one.count and len(one.places)]
        if likeness_ < SAME and asked:
            tell, ratio = survey.way.again(roll, index), survey.magnifications[index]
            for n in asked:
                y = from_middle(proposals[n].places.y, height, ratio)
                x = from_middle(proposals[n].places.x, width, ratio)
                evidence[n][index] = tell(y, x)
    return evidence


def _grains(proposal: Proposal, by_frame: FloatArray, survey: Survey) -> list[GrainEvidence]:
    """Return the grains at the proposed places, strongest first."""
    places, optics = proposal.places, proposal.optics
    picture = Picture(log=np.empty(survey.ledger.shape, np.float32), step=survey.way.step)
    x, y = picture.to_photograph(places.x), picture.to_photograph(places.y)
    score, first, last = longest_standing(by_frame)
    size = score.argmax(axis=0)
    grains = [
        GrainEvidence(
            x=float(x[n]),
            y=float(y[n]),
            diameter_um=survey.way.told_um[s],
            score=float(score[s, n]),
            by_frame=_read_only(by_frame[:, s, n]),
            first=int(first[s, n]),
            last=int(last[s, n]),
        )
        for n, s in enumerate(size.tolist())
    ]
    listed = sorted((grain for grain in grains if grain.score > 0), key=lambda grain: -grain.score)
    return _without_halos(listed, reach_px=HALO_WIDTHS * width_px(survey.way.told_um[0], optics) if optics else 0.0)


def _without_halos(grains: Sequence[GrainEvidence], *, reach_px: float) -> list[GrainEvidence]:
    """Return the grains, strongest first, less those that a far stronger one's misfit explains."""
    if len(grains) < 2:
        return list(grains)
    places = np.array([(grain.x, grain.y) for grain in grains])
    keep = np.ones(len(grains), dtype=bool)
    for strong, weak in cKDTree(places).query_pairs(reach_px, output_type="ndarray"):
        first, second = sorted((int(strong), int(weak)))
        if grains[second].score < HALO_SHARE * grains[first].score:
            keep[second] = False
    return [grain for grain, kept in zip(grains, keep, strict=True) if kept]


def _read_only(column: FloatArray) -> FloatArray:
    kept = column.copy()
    kept.flags.writeable = False
    return kept
