"""What many photographs together say of grains: their sizes, each told best where the ground is plain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...detectors.consensus import located
from ...detectors.consensus_study import Study
from ...detectors.contract import Photograph
from ..repairs.contract import UNKNOWN, Known
from ..repairs.division import DISTANCES_MM, fits_of, likeliest_distance_mm, possible_optics
from ..repairs.grain_prior import MIDDLE_UM

FloatArray = NDArray[np.float64]

LEAST_ERROR = 0.03
"""Standard deviation of ln size below which no number of photographs brings it: grains are no disks."""

ROLL_PLACE_PX = 0.4
"""Standard deviation of the places that a roll tells, in pixels: lenses move shadows by other amounts than one number a
photograph says."""

USUAL_SPREAD = 0.7
"""Standard deviation of ln diameter about `MIDDLE_UM` of the grains that are found: two in three lie within a factor of
two."""

CLEAR_MISFIT = 0.5
"""Fits that leave more than this behind say nothing of the size."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """Grains' sizes and the filter distance at which they hold.

    Attributes
    ----------
    filter_distance_mm
        Given, or the one that explains all shadows best.
    diameter_um, error
        By number in the study, (grains,): diameters and the standard deviations of their natural logarithms.
    shift
        By how many pixels of the first photograph each grain lies right of and below the study's place, (grains, 2).
    """

    filter_distance_mm: float
    diameter_um: FloatArray
    error: FloatArray
    shift: FloatArray

    def known(self, numbers: NDArray[np.intp]) -> Known:
        """Return what is known of some grains."""
        return Known(self.filter_distance_mm, self.diameter_um[numbers], self.error[numbers], ROLL_PLACE_PX)


def shared_sizes(roll: Sequence[Photograph], studied: Study, *, filter_distance_mm: float | None = None) -> Sizes:
    """Return the sizes of a study's grains, by all the photographs of the roll, each read once.

    Each photograph's fit of ln diameter is a normal observation; they are added to what is usual (`MIDDLE_UM`,
    `USUAL_SPREAD`) with their inverse variances.

    Parameters
    ----------
    filter_distance_mm
        None compares `DISTANCES_MM`.
    """
    distances = DISTANCES_MM if filter_distance_mm is None else (filter_distance_mm,)
    count = len(studied.grains)
    usual = USUAL_SPREAD**-2
    certainty = np.full((len(distances), count), usual)
    total = np.full((len(distances), count), usual * math.log(MIDDLE_UM))
    told = np.zeros(len(distances))
    pull, weight = np.zeros((len(distances), count, 2)), np.full((len(distances), count), UNKNOWN.place_px**-2)
    number = {id(grain): index for index, grain in enumerate(studied.grains)}
    for index, photograph in enumerate(roll):
        spots, grains = located(studied, index, photograph)
        if not grains:
            continue
        which = np.array([number[id(grain)] for grain in grains], dtype=np.intp)
        for place, distance in enumerate(distances):
            fits = fits_of(photograph, spots, Known(), possible_optics(photograph, distance), fallen=False)
            told[place] += float(np.maximum(fits.evidence, 0).sum())
            own = fits.size_error**-2
            own[(fits.evidence <= 0) | (fits.misfit > CLEAR_MISFIT)] = 0
            sure = np.maximum(fits.place_error**-2 - UNKNOWN.place_px**-2, 0) * (own > 0)
            moved = np.column_stack([fits.x - spots.x, fits.y - spots.y]) / studied.magnifications[index]
            pull[place, which] += np.where(own > 0, fits.place_error**-2, 0)[:, None] * moved
            weight[place, which] += sure
            certainty[place, which] += own
            total[place, which] += own * np.log(fits.diameter_um)
    best = 0 if len(distances) == 1 else distances.index(likeliest_distance_mm(told))
    error = np.maximum(certainty[best] ** -0.5, LEAST_ERROR)
    shift = pull[best] / weight[best][:, None]
    return Sizes(distances[best], np.exp(total[best] / certainty[best]), error, shift)
