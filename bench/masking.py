"""How strongly the ground around a shadow masks it: the contrast of its texture at the shadow's scale."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..detectors.contract import DARKEST, LUMINANCE_WEIGHTS

if TYPE_CHECKING:  # the renderer would be a third of what `retouch` loads
    from ..generators.scene import Frame

FloatArray = NDArray[np.float64]

FWHM_PER_SIGMA = 2.3548
"""2·√(2·ln 2), of a Gaussian."""

SURROUND = 1.6
"""Ratio of the two Gaussians' standard deviations, the usual stand-in for a spot detector of the eye."""

GAIN = 1 / (1 + 1) - 1 / (1 + SURROUND**2)
"""Response at the centre of a Gaussian spot of depth 1, whose σ is that of the inner Gaussian: σ²/(σ² + s²) of
each. By it the band is in units of a spot's depth."""

SCALES_A_FACTOR_OF_TWO = 2
"""Shadows are grouped by width, this many groups an octave: within one, widths differ by a fifth from its middle."""

REACH = 2.0
"""Half the side of the neighbourhood, in full widths of the shadow."""

SINUSOID = np.sqrt(2.0)
"""Amplitude of a grating over its root mean square: the masks of the law were gratings."""


def mask_contrast(frame: Frame) -> FloatArray:
    """Return for each true shadow the contrast of the clean ground about it, (n,), ≥ 0, in units of depth."""
    truth = frame.truth
    return contrast_about(log_light(frame), truth.x, truth.y, fwhm_px=truth.fwhm_px)


def log_light(frame: Frame) -> NDArray[np.float32]:
    """Return the log luminance of the clean ground (height, width) as far as a camera can tell it: saturated at 1."""
    light = np.minimum(frame.clean, np.float32(1)) @ LUMINANCE_WEIGHTS
    return np.asarray(np.log(np.maximum(light, DARKEST)))


def contrast_about(log: NDArray[np.float32], x: FloatArray, y: FloatArray, *, fwhm_px: FloatArray) -> FloatArray:
    """Return the contrast of a ground about places (n,) at the scale of shadows of that width, in units of depth.

    √2 × the root mean square of band-passed log luminance (height, width) over a square of four shadow widths.
    """
    from scipy.ndimage import gaussian_filter  # keeps the command line quick to start

    octave = np.round(SCALES_A_FACTOR_OF_TWO * np.log2(fwhm_px)) / SCALES_A_FACTOR_OF_TWO
    contrast = np.zeros(np.shape(fwhm_px))
    for scale in np.unique(octave):
        sigma = 2.0**scale / FWHM_PER_SIGMA
        fine = gaussian_filter(log, sigma, mode="reflect", truncate=3.0)
        band = (fine - gaussian_filter(log, SURROUND * sigma, mode="reflect", truncate=3.0)) / GAIN
        for index in np.flatnonzero(octave == scale):
            contrast[index] = SINUSOID * _rms(band, (y[index], x[index]), REACH * fwhm_px[index])
    return contrast


def _rms(band: NDArray[Any], centre: tuple[float, float], reach: float) -> float:
    window = band[tuple(slice(max(0, round(at - reach)), round(at + reach) + 1) for at in centre)]
    return float(np.sqrt(np.mean(np.square(window, dtype=np.float64))))
