"""What many photographs together say of grains: their sizes, each told best where the ground is plain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import logsumexp

from ...detectors.consensus import located
from ...detectors.consensus_study import Study
from ...detectors.contract import Photograph, Spots
from ..repairs.contract import UNKNOWN, Known
from ..repairs.division import DISTANCES_MM, fits_of, likeliest_distance_mm, possible_optics
from ..repairs.grain_prior import MIDDLE_UM
from ..repairs.shadow_bank import LOGS, SIZES_UM
from ..repairs.shadow_fit import ShadowFits

FloatArray = NDArray[np.float64]

LEAST_ERROR = 0.03
"""Standard deviation of ln size below which no number of photographs brings it: grains are no disks."""

ROLL_PLACE_PX = 0.4
"""Standard deviation of the places that a roll tells, in pixels: lenses move shadows by other amounts than one number a
photograph says."""

USUAL_SPREAD = 0.7
"""Standard deviation of ln diameter about `MIDDLE_UM` of the grains that are found: two in three lie within a factor of
two."""

SHARP = 0.05
"""Standard deviation of ln size from which down a photograph's fit counts as a normal observation."""

FINE = 16
"""Sizes that are weighed for each of `SIZES_UM`."""

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

    Where a photograph tells a size to less than `SHARP`, its fit of ln diameter is a normal observation; what the
    others tell of each size is added up first, since a faint shadow's own fit is drawn to large grains, whose depth
    goes faster with the size. To both is added what is usual (`MIDDLE_UM`, `USUAL_SPREAD`).

    Parameters
    ----------
    filter_distance_mm
        None compares `DISTANCES_MM`.
    """
    distances = DISTANCES_MM if filter_distance_mm is None else (filter_distance_mm,)
    sums = [_Sum.empty(len(studied.grains)) for _ in distances]
    number = {id(grain): index for index, grain in enumerate(studied.grains)}
    for index, photograph in enumerate(roll):
        spots, grains = located(studied, index, photograph)
        which = np.array([number[id(grain)] for grain in grains], dtype=np.intp)
        for total, distance in zip(sums, distances, strict=True):
            if grains:
                optics = possible_optics(photograph, distance)
                fits = fits_of(photograph, spots, Known(), optics, fallen=False)
                total.add(fits, which, spots, studied.magnifications[index])
    told = np.array([total.evidence for total in sums])
    best = 0 if len(distances) == 1 else distances.index(likeliest_distance_mm(told))
    size, error = sums[best].sizes()
    return Sizes(distances[best], size, error, sums[best].pull / sums[best].weight[:, None])


@dataclass(slots=True)
class _Sum:
    """What the photographs so far say of each grain at one filter distance."""

    evidence: float
    certainty: FloatArray
    total: FloatArray
    told: FloatArray
    pull: FloatArray
    weight: FloatArray

    @classmethod
    def empty(cls, count: int) -> _Sum:
        zero = np.zeros(count)
        weight = np.full(count, UNKNOWN.place_px**-2)
        return cls(0.0, zero, zero.copy(), np.zeros((count, len(SIZES_UM))), np.zeros((count, 2)), weight)

    def add(self, fits: ShadowFits, which: NDArray[np.intp], spots: Spots, magnification: float) -> None:
        """Add what a photograph says of some of the grains."""
        self.evidence += float(np.maximum(fits.evidence, 0).sum())
        clear = fits.misfit <= CLEAR_MISFIT
        sharp = clear & (fits.size_error < SHARP) & (fits.evidence > 0)
        own = np.where(sharp, fits.size_error**-2, 0)
        self.certainty[which] += own
        self.total[which] += own * np.log(fits.diameter_um)
        # All of these count, those too that speak against any shadow: to leave them out would draw sizes up.
        self.told[which] += np.where((clear & ~sharp)[:, None], fits.told, 0)
        moved = np.column_stack([fits.x - spots.x, fits.y - spots.y]) / magnification
        shown = clear & (fits.evidence > 0)
        self.pull[which] += np.where(shown, fits.place_error**-2, 0)[:, None] * moved
        self.weight[which] += np.maximum(fits.place_error**-2 - UNKNOWN.place_px**-2, 0) * shown

    def sizes(self) -> tuple[FloatArray, FloatArray]:
        """Return diameters and the standard deviations of their logarithms, the mean and spread of the posterior."""
        fine = np.linspace(LOGS[0], LOGS[-1], FINE * len(LOGS))
        density = CubicSpline(LOGS, self.told, axis=1)(fine) - 0.5 * ((fine - math.log(MIDDLE_UM)) / USUAL_SPREAD) ** 2
        # What is told more sharply than the steps between would fall between them.
        certainty = np.minimum(self.certainty, (LEAST_ERROR / 2) ** -2)
        mean = self.total / np.where(self.certainty > 0, self.certainty, 1)
        density -= 0.5 * certainty[:, None] * (fine - mean[:, None]) ** 2
        share = np.exp(density - logsumexp(density, axis=1, keepdims=True))
        middle = share @ fine
        spread = np.sqrt(np.maximum(share @ fine**2 - middle**2, LEAST_ERROR**2))
        return np.exp(middle), spread
