"""Flat-field division: the shadow is computed and divided out, and what lay under it comes back.

A shadow on the filter multiplies linear light by a transmission T(x, y; grain, aperture, filter distance), whatever
lies there. So light / T is the picture without it, with the noise of the light that was left: 1/√T times as much
shot noise. Nothing is invented but where T is too low.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph, Spots
from ...detectors.optical_scales import FILTER_DISTANCE_MM, known_f_number, pixel_pitch_um
from ...detectors.profiles import UNKNOWN_F_NUMBERS
from ...generators.cv import cv2
from ...generators.optics import Optics
from ...generators.shadow_table import ShadowTable
from ...generators.transfer import decode, encode
from .contract import DIVIDED, LEFT, UNKNOWN, Known, Mended, Repaired, Window, changed, window_about
from .grain_prior import MIDDLE_UM, Prior
from .inpaint import opencv_fill
from .shadow_bank import SIZES_UM
from .shadow_fit import ShadowFits, fit_shadows

FloatArray = NDArray[np.float32]

LEAST_TRANSMISSION = 0.2
"""Below it light is not divided: the noise would grow more than 5-fold in light, √5-fold against shot noise."""

SURE_TRANSMISSION = 0.3
"""From here on the divided light stands alone; between the two it fades into the fill."""

UNTOUCHED, WHOLE = 0.0015, 0.004
"""|1 − T| below which nothing is changed, and from which on T counts whole: between the two the repair fades out, at
half a code of eight bits, so that it has no rim."""

MOST_MISFIT = 2.0
"""Misfit from which on a spot is no round grain's shadow; one in twenty true ones in sky has more, most of them beside
another."""

DISTANCES_MM = tuple(FILTER_DISTANCE_MM * 2 ** (n / 4) for n in range(-4, 7))
"""Filter distances that are compared where none is given: 0.5–2.8 mm."""

DISTANCE_SPREAD = math.log(math.sqrt(2))
"""Standard deviation of ln distance about the nominal one before anything is seen."""

WITNESSES = 8
"""Strongest spots that tell the filter distance."""


class FlatField:
    """The optical shadow, fitted and divided out in linear light; a fill only where next to no light was left."""

    name = "flat-field"
    version = "1"

    def repair(self, photograph: Photograph, spots: Spots, known: Known = UNKNOWN) -> Repaired:
        """Fit all shadows in the picture as it is, then divide by one after the other.

        Where the filter distance is not given, the strongest spots tell it.
        """
        distance = known.filter_distance_mm
        if distance is None:
            distance = fitted_distance_mm(photograph, spots, known)
        optics = possible_optics(photograph, distance)
        fits = fits_of(photograph, spots, known, optics)
        pixels, touched = photograph.pixels.copy(), np.zeros(photograph.shape, dtype=bool)
        mended, sure = [], np.isfinite(known.sizes(len(spots))).tolist()
        for index in range(len(spots)):
            problem = _problem(fits, index, sure=sure[index])
            if problem:
                mended.append(Mended(LEFT, float(spots.x[index]), float(spots.y[index]), note=problem))
                continue
            fit = FittedShadow.of(fits, index, optics)
            window, transmission = fit.on(photograph.shape)
            new = divided(pixels[window], transmission, encoding=photograph.encoding)
            touched[window] |= changed(new, pixels[window])
            pixels[window] = new
            mended.append(Mended(DIVIDED, fit.x, fit.y, fit.depth, fit.depth_error, fit.diameter_um))
        return Repaired(pixels, touched, tuple(mended))


def fits_of(
    photograph: Photograph, spots: Spots, known: Known, optics: Sequence[Optics], *, fallen: bool = True
) -> ShadowFits:
    """Return the shadows fitted to spots; `fallen` as in `Prior`, and see `fit_shadows`."""
    sizes = known.sizes(len(spots))
    told = np.isfinite(sizes)
    spread = np.where(told, known.diameter_error, np.inf)
    prior = Prior(np.where(told, sizes, MIDDLE_UM), spread, np.full(len(spots), known.place_px), fallen)
    return fit_shadows(photograph, spots, optics=optics, prior=prior)


def _problem(fits: ShadowFits, index: int, *, sure: bool) -> str:
    """Return why a fit is not to be divided by, or ""; `sure` where other photographs vouch for the grain."""
    if sure:
        return ""
    if fits.evidence[index] <= 0:
        return "no shadow stands out of the ground here"
    if fits.misfit[index] > MOST_MISFIT:
        return "not the shadow of a round grain"
    return ""


@dataclass(frozen=True, slots=True)
class FittedShadow:
    """One shadow, ready to be divided by.

    Attributes
    ----------
    x, y
        Centre in pixels of the photograph.
    diameter_um, size_error
        Of the grain, and the standard deviation of its natural logarithm.
    optics
        What casts the shadow.
    """

    x: float
    y: float
    diameter_um: float
    size_error: float
    optics: Optics

    @classmethod
    def of(cls, fits: ShadowFits, index: int, optics: Sequence[Optics]) -> FittedShadow:
        """Return one of several fits, its size cut to what is tabled."""
        columns = (fits.x, fits.y, fits.diameter_um, fits.size_error)
        x, y, diameter, error = (float(column[index]) for column in columns)
        return cls(x, y, min(max(diameter, SIZES_UM[0]), SIZES_UM[-1]), error, optics[fits.optics[index]])

    @property
    def depth(self) -> float:
        """Peak depth in luminance."""
        return float(np.interp(self.diameter_um, SIZES_UM, _depths(self.optics)))

    @property
    def depth_error(self) -> float:
        """Change of the peak depth with one standard deviation of size, to the side where it is larger."""
        factor = math.exp(min(self.size_error, 1.0))
        depths = np.interp([self.diameter_um * factor, self.diameter_um / factor], SIZES_UM, _depths(self.optics))
        return float(np.abs(depths - self.depth).max())

    def on(self, shape: tuple[int, int]) -> tuple[Window, FloatArray]:
        """Return the part of a frame that the shadow lies on, and its transmission there, float32 (h, w, 3)."""
        light, row, column = _table(self.optics).light(self.diameter_um, self.x, self.y)
        half = len(light) // 2
        window = window_about(shape, (column, row), half)
        rows, columns = (
            slice(side.start - middle + half, side.stop - middle + half)
            for side, middle in zip(window, (row, column), strict=True)
        )
        return window, light[rows, columns]


@lru_cache(maxsize=64)
def _depths(optics: Optics) -> NDArray[np.float64]:
    """Return the peak depth of each of `SIZES_UM`, centred on a pixel."""
    return np.array([_table(optics).cast(size, 0.0, 0.0).peak_depth for size in SIZES_UM])


def possible_optics(photograph: Photograph, filter_distance_mm: float) -> tuple[Optics, ...]:
    """Return what may have cast a photograph's shadows: one, or several that stand for an unknown f-number."""
    known, pitch = known_f_number(photograph), pixel_pitch_um(photograph)
    numbers = UNKNOWN_F_NUMBERS if known is None else (known,)
    return tuple(Optics(f_number=n, filter_distance_mm=filter_distance_mm, pixel_um=pitch) for n in numbers)


def fitted_distance_mm(photograph: Photograph, spots: Spots, known: Known = UNKNOWN) -> float:
    """Return the filter distance that explains the strongest spots best, drawn to the nominal one by few or faint ones.

    The maximum over `DISTANCES_MM` of Σ Λ over the spots plus the logarithm of a log-normal prior. Every other distance
    is compared first, then the two beside the best of them: a third fewer banks of shadows to make.
    """
    order = np.argsort(-spots.score, kind="stable")[:WITNESSES]
    witnesses, told = (spots.take(order), known.take(order)), np.full(len(DISTANCES_MM), -np.inf)
    for number in range(0, len(told), 2):
        told[number] = _evidence(photograph, *witnesses, DISTANCES_MM[number])
    best = DISTANCES_MM.index(likeliest_distance_mm(told))
    for number in {max(best - 1, 0), min(best + 1, len(told) - 1)} - {best}:
        told[number] = _evidence(photograph, *witnesses, DISTANCES_MM[number])
    return likeliest_distance_mm(told)


def _evidence(photograph: Photograph, spots: Spots, known: Known, distance_mm: float) -> float:
    """Return Σ Λ of the spots at a filter distance; what speaks against a shadow counts nothing."""
    fits = fits_of(photograph, spots, known, possible_optics(photograph, distance_mm))
    return float(np.maximum(fits.evidence, 0).sum())


def likeliest_distance_mm(told: NDArray[np.float64]) -> float:
    """Return the filter distance with the most evidence, the prior's share added."""
    prior = [-((math.log(d / FILTER_DISTANCE_MM) / DISTANCE_SPREAD) ** 2) / 2 for d in DISTANCES_MM]
    return DISTANCES_MM[int(np.argmax(told + prior))]


@lru_cache(maxsize=16)
def _table(optics: Optics) -> ShadowTable:
    return ShadowTable(optics, SIZES_UM[0], SIZES_UM[-1])


def divided(codes: NDArray[Any], transmission: FloatArray, *, encoding: str) -> NDArray[Any]:
    """Return codes (h, w, 3) of light / T, filled where T is too low to divide by.

    Parameters
    ----------
    codes
        8- or 16-bit, encoded as `encoding` says.
    transmission
        T, (h, w, 3). Where |1 − T| is below `UNTOUCHED` the codes stay to the bit.
    """
    share = np.clip((_largest(np.abs(1 - transmission)) - UNTOUCHED) / (WHOLE - UNTOUCHED), 0, 1)
    shares = cv2.merge([share, share, share])  # numpy is slow to spread over a short axis
    faded = 1 + shares * (transmission - 1)
    light = decode(codes, encoding) / np.maximum(faded, LEAST_TRANSMISSION)
    new = np.where(shares > 0, encode(light, bits=8 * codes.dtype.itemsize, encoding=encoding), codes)
    if transmission.min() >= SURE_TRANSMISSION:
        return new
    dark = _largest((SURE_TRANSMISSION - transmission) / (SURE_TRANSMISSION - LEAST_TRANSMISSION))
    hole = dark > 0
    if not hole.any() or hole.all():
        return new
    fill = opencv_fill(np.ascontiguousarray(new), hole, cv2.INPAINT_NS)
    weight = np.minimum(dark, 1)[..., None]
    return np.where(hole[..., None], np.rint(weight * fill + (1 - weight) * new).astype(codes.dtype), new)


def _largest(bands: FloatArray) -> FloatArray:
    """Return the largest of three bands, (h, w); several times faster than a reduction over a short axis."""
    return np.maximum(np.maximum(bands[..., 0], bands[..., 1]), bands[..., 2])
