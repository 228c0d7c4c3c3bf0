"""Difference of Gaussians."""

from __future__ import annotations

import math

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray, Photograph, SingleFrame, Spots
from .scan import scan

RATIO = 1.6
"""Wider over narrower Gaussian: where the difference is close to the Laplacian and costs least
(Marr & Hildreth 1980, doi:10.1098/rspb.1980.0020, from memory)."""

SIGMA_PER_FWHM = 1 / (2 * math.sqrt(2))
"""A disk of radius r answers the Laplacian most at σ = r/√2 (set the derivative of the response at the
disk's centre, r²/σ² exp(−r²/2σ²), to zero), and a shadow is nearly a disk of its own half width."""


def difference_of_gaussians(log: FloatArray, sigma: float) -> FloatArray:
    """Return [G(1.6 σ) − G(σ)] ⊛ log / 0.6, positive in dark blobs, scale-normalised; reflecting borders.

    The factor 1/(ratio − 1) makes it approach −σ² ∇²G up to sign, as in scikit-image's `blob_dog`.
    """
    narrow = cv2.GaussianBlur(log, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    wide = cv2.GaussianBlur(log, (0, 0), RATIO * sigma, borderType=cv2.BORDER_REFLECT)
    difference = np.asarray(cv2.subtract(wide, narrow, dst=wide), dtype=np.float32)
    difference /= np.float32(RATIO - 1)
    return difference


class DifferenceOfGaussians(SingleFrame):
    """Dark blobs in a scale space of differences of Gaussians, over the local noise.

    An implementation of its own: filters as in scikit-image's `blob_dog`, widths and shrinking from optics.
    """

    name = "dog"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the maxima over place and scale."""
        return scan(photograph, lambda log, fwhm: difference_of_gaussians(log, SIGMA_PER_FWHM * fwhm))
