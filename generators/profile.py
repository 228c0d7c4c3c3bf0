"""A shadow's radial profile behind a square pixel, and its fourfold part."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0, j1, jn_zeros

from .bands import RGB_BANDS, Band
from .disk import band_ambiguity, disk_transform
from .lattice import highest_frequency
from .optics import Optics
from .pupil import jinc

FloatArray = NDArray[np.float64]

_FOURFOLD = 1e-5
"""R₄ is taken as zero where the sum of its terms' sizes stays below this; it matters for large pixels only."""


def radial_profile(
    radius_um: FloatArray, diameter_um: float, optics: Optics, *, reach_um: float, bands: tuple[Band, ...] = RGB_BANDS
) -> FloatArray:
    """Return R₀ and R₄, (2, bands, len(radius)), of 1 − T = R₀(r) + R₄(r) cos 4θ on pixels under a round pupil.

    The spectrum S·P̂ is radial; the pixel's is c₀(f) + c₄(f) cos 4φ + …, so R_m is a Hankel transform of
    order m. It is summed over the zeros of J₁ (Dini's series, Watson, Theory of Bessel Functions, §18.33,
    from memory), which holds all light of the shadow within `reach_um`, as a periodic stamp holds it within
    its square: ∫ R₀ 2πr dr = πp²/4. Beyond the reach both are zero.

    Parameters
    ----------
    radius_um
        Radii, ascending.
    reach_um
        Where the profile ends.
    """
    top = highest_frequency(diameter_um, optics)
    zeros = _zeros_of_j1(math.ceil(2 * reach_um * top))
    f = zeros / (2 * math.pi * reach_um)
    cosines = np.stack([band.mean_cosine(math.pi * optics.distance_um * f * f) for band in bands])
    ambiguity = band_ambiguity(f, diameter_um, optics.distance_um, bands)
    spectra = (2 * disk_transform(f, diameter_um) * cosines - ambiguity) * jinc(math.pi * optics.blur_um * f)
    spectra /= math.pi * reach_um**2 * j0(zeros) ** 2
    even, fourfold = _pixel_harmonics(f * optics.pixel_um)
    inside = radius_um <= reach_um
    x = 2 * math.pi * np.multiply.outer(f, radius_um[inside])
    zeroth = j0(x)
    parts = np.zeros((2, len(bands), len(radius_um)))
    parts[0][:, inside] = np.einsum("bf,fr->br", spectra * even, zeroth)
    fourfold = spectra * fourfold
    if np.abs(fourfold).sum(axis=1).max() > _FOURFOLD:
        parts[1][:, inside] = np.einsum("bf,fr->br", fourfold, _j4(x, zeroth))
    return parts


def _zeros_of_j1(count: int) -> FloatArray:
    """Return 0 and the first `count` positive zeros of J₁."""
    return _kept_zeros(1 << count.bit_length())[: count + 1]


@lru_cache(maxsize=8)
def _kept_zeros(count: int) -> FloatArray:
    """Return the zeros for all counts up to this one: to find them anew for each took over half of a table's time."""
    zeros = np.concatenate([[0.0], jn_zeros(1, count)])
    zeros.flags.writeable = False
    return zeros


def _pixel_harmonics(width: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return c₀ and c₄ of sinc(q cos φ) sinc(q sin φ) = c₀ + c₄ cos 4φ + …, q the pixel's width times f."""
    count = 16
    phi = (np.arange(count) + 0.5) * math.pi / (2 * count)
    square = np.sinc(np.multiply.outer(width, np.cos(phi))) * np.sinc(np.multiply.outer(width, np.sin(phi)))
    return square.mean(axis=-1), 2 * (square @ np.cos(4 * phi)) / count


def _j4(x: FloatArray, zeroth: FloatArray) -> FloatArray:
    """Return J₄(x) by the recurrence from J₀ and J₁ where it is stable, else by its series."""
    far = np.maximum(x, 1.0)
    first = j1(far)
    second = 2 * first / far - np.where(x < 1, 0.0, zeroth)
    third = 4 * second / far - first
    small = x**4 / 384 * (1 - x * x / 20 * (1 - x * x / 48))
    return np.where(x < 1, small, 6 * third / far - second)
