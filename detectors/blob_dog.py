"""scikit-image's difference of Gaussians."""

from __future__ import annotations

import numpy as np

from .contract import FloatArray, Photograph, SingleFrame, Spots
from .dog import RATIO, SIGMA_PER_FWHM
from .shelf import Blobs, at_scale, shelf

FLOOR = 0.6
"""Response, in units of local noise, under which nothing is a candidate: 370 a megapixel of sky,
snow and scrub pass it."""


def find(even: FloatArray, widths: tuple[float, ...]) -> Blobs:
    """Return scikit-image's dark blobs; the score is the response that it compares with its threshold."""
    from skimage.feature import blob_dog  # half a second to import
    from skimage.filters import gaussian

    bright = -even
    low, high = (SIGMA_PER_FWHM * width for width in (widths[0], widths[-1]))
    found = blob_dog(bright, min_sigma=low, max_sigma=high, sigma_ratio=RATIO, threshold=FLOOR)
    y, x, sigma = found.astype(np.float32).T

    def respond(scale: float) -> FloatArray:
        narrow, wide = (gaussian(bright, sigma=s, mode="reflect") for s in (scale, RATIO * scale))
        return np.asarray((narrow - wide) / (RATIO - 1), dtype=np.float32)

    return Blobs(y, x, sigma / SIGMA_PER_FWHM, at_scale(respond, y, x, sigma))


class BlobDog(SingleFrame):
    """scikit-image's blob_dog (difference of Gaussians) on evened log luminance."""

    name = "blob_dog"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the blobs with their response."""
        return shelf(photograph, find)
