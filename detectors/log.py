"""Laplacian of Gaussian."""

from __future__ import annotations

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray, Photograph, SingleFrame, Spots
from .dog import SIGMA_PER_FWHM
from .scan import scan


def laplacian_of_gaussian(log: FloatArray, sigma: float) -> FloatArray:
    """Return σ² ∇²(G(σ) ⊛ log), positive in dark blobs, scale-normalised; reflecting borders.

    The five-point Laplacian of the smoothed picture; for σ ≥ 1.4 px it is within 5 % of the derivative.
    """
    smooth = cv2.GaussianBlur(log, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    curved = cv2.Laplacian(smooth, cv2.CV_32F, ksize=1, borderType=cv2.BORDER_REFLECT)
    return np.asarray(curved * np.float32(sigma**2), dtype=np.float32)


class LaplacianOfGaussian(SingleFrame):
    """Dark blobs in a scale space of Laplacians of Gaussian, over the local noise.

    An implementation of its own: filters as in scikit-image's `blob_log`, widths and shrinking from optics.
    """

    name = "log"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the maxima over place and scale."""
        return scan(photograph, lambda log, fwhm: laplacian_of_gaussian(log, SIGMA_PER_FWHM * fwhm))
