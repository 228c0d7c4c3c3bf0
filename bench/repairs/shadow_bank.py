"""Shadows of grains of all sizes as spectra in a tile, ready to be compared with a photograph's."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from ...detectors.contract import FloatArray
from ...detectors.optical_scales import FILTER_DISTANCE_MM, ladder
from ...detectors.profiles import Profile
from ...detectors.whitening import HOP, TILE, ComplexArray, sine_window, twice_inside
from ...generators.optics import Optics

Array = NDArray[np.float64]

STEP = 0.12
"""Between the sizes that are compared, in ln; a Newton step finds what lies between them."""

SIZES_UM = ladder(8.0, 130.0, ratio=math.exp(STEP))
"""Grains that are compared."""

LOGS = np.log(SIZES_UM)
LAST = len(SIZES_UM) - 1

SPACING = float(LOGS[1] - LOGS[0])
"""What lies between the sizes indeed, as the ladder ends on both."""

TYPICAL_UM = 45.0
"""Grain whose shadow's width decides by how much a tile is shrunk."""

LEAST_PX = 6.0
"""Shadows are left this wide at least: the logarithm of a deep one is peaked, and a coarser grid misplaces it."""

WINDOW = sine_window()
GAIN = float((WINDOW**2).sum())
ACROSS = np.arange(TILE) - HOP
COUNT = TILE * (TILE // 2 + 1)
DOWN, RIGHT = (2 * np.pi * f.astype(np.float32) for f in (fft.fftfreq(TILE), fft.rfftfreq(TILE)))
TWICE = twice_inside(np.ones((TILE, TILE // 2 + 1), np.float32))


@dataclass(frozen=True, slots=True)
class Bank:
    """Shadows of all sizes for one optics: spectra in the middle of a tile, real parts beside imaginary ones.

    `slopes` and `bends` are those of the parabola through a size and its neighbours, in steps of size.
    """

    optics: Optics
    step: int
    spectra: ComplexArray
    slopes: ComplexArray
    bends: ComplexArray
    flat: FloatArray
    energy: FloatArray
    radius: Array
    depth: Array
    stamps: tuple[FloatArray, ...]


@lru_cache(maxsize=64)
def bank_of(optics: Optics) -> Bank:
    """Return the shadows that an optics casts."""
    nominal = replace(optics, filter_distance_mm=FILTER_DISTANCE_MM)  # one step for all distances that are compared
    width = Profile(TYPICAL_UM, nominal).fwhm_px
    step = 2 ** min(3, max(0, math.floor(math.log2(width / LEAST_PX))))
    shadows = [Profile(size, optics) for size in SIZES_UM]
    logs = [shadow.log(step) for shadow in shadows]
    spectra = tile_spectra(np.stack([_in_a_tile(log) for log in logs]))
    depth = np.array([-math.expm1(float(log.min())) for log in logs])
    weighted = (spectra * TWICE).reshape(len(SIZES_UM), COUNT)
    energy = (TWICE * (spectra.real**2 + spectra.imag**2)).reshape(len(SIZES_UM), COUNT)
    radius = np.array([max(1.5, shadow.fwhm_px / step / 2) for shadow in shadows])
    flat = np.ascontiguousarray(np.hstack([weighted.real, weighted.imag]).T)
    before, after = (spectra[np.clip(np.arange(len(spectra)) + n, 0, LAST)] for n in (-1, 1))
    slopes, bends = (after - before) * np.float32(0.5), after - 2 * spectra + before
    return Bank(
        optics,
        step,
        spectra,
        slopes,
        bends,
        flat,
        np.ascontiguousarray(energy.astype(np.float32).T),
        radius,
        depth,
        tuple(logs),
    )


def _in_a_tile(stamp: FloatArray) -> FloatArray:
    """Return a centred stamp in the middle of a tile, cut to it where it is larger."""
    half = stamp.shape[0] // 2
    index = ACROSS + half
    inside = (index >= 0) & (index < stamp.shape[0])
    tile = np.zeros((TILE, TILE), dtype=np.float32)
    tile[np.ix_(inside, inside)] = stamp[np.ix_(index[inside], index[inside])]
    return tile


def tile_spectra(tiles: FloatArray) -> ComplexArray:
    """Return the spectra of tiles (m, TILE, TILE) under the window, without their mean under it."""
    level = np.tensordot(tiles, WINDOW, axes=2) / WINDOW.sum()
    spectra = fft.rfft2((tiles - level[:, None, None]) * WINDOW, workers=1)
    spectra[:, 0, 0] = 0
    return np.asarray(spectra, dtype=np.complex64)


def phase(places: Array) -> ComplexArray:
    """Return the factors that move pictures by fractions of a pixel down and right, (m, TILE, TILE // 2 + 1)."""
    down, right = (places[:, n].astype(np.float32)[:, None] for n in (0, 1))
    rows, columns = np.exp(-1j * down * DOWN), np.exp(-1j * right * RIGHT)
    return np.asarray(rows[:, :, None] * columns[:, None, :], dtype=np.complex64)
