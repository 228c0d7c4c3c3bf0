"""scikit-image's Laplacian of Gaussian."""

from __future__ import annotations

import numpy as np

from .contract import FloatArray, Photograph, SingleFrame, Spots
from .dog import SIGMA_PER_FWHM
from .shelf import Blobs, at_scale, shelf

FLOOR = 1.0
"""Response, in units of local noise, under which nothing is a candidate: 340 a megapixel of sky,
snow and scrub pass it."""


def find(even: FloatArray, widths: tuple[float, ...]) -> Blobs:
    """Return scikit-image's dark blobs; the score is the response that it compares with its threshold."""
    from scipy.ndimage import gaussian_laplace
    from skimage.feature import blob_log  # half a second to import

    bright = -even
    low, high = (SIGMA_PER_FWHM * width for width in (widths[0], widths[-1]))
    found = blob_log(bright, min_sigma=low, max_sigma=high, num_sigma=len(widths), log_scale=True, threshold=FLOOR)
    y, x, sigma = found.astype(np.float32).T

    def respond(scale: float) -> FloatArray:
        return np.asarray(-(scale**2) * gaussian_laplace(bright, scale), dtype=np.float32)

    return Blobs(y, x, sigma / SIGMA_PER_FWHM, at_scale(respond, y, x, sigma))


class BlobLog(SingleFrame):
    """scikit-image's blob_log (Laplacian of Gaussian) on evened log luminance."""

    name = "blob_log"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the blobs with their response."""
        return shelf(photograph, find)
