"""scikit-image's determinant of the Hessian."""

from __future__ import annotations

import numpy as np

from .contract import FloatArray, Photograph, SingleFrame, Spots
from .shelf import Blobs, at, at_scale, shelf

FLOOR = 0.1
"""Determinant, in squared units of local noise, under which nothing is a candidate: 310 a megapixel
of sky, snow and scrub pass it."""

SIGMA_PER_FWHM = 0.5
"""scikit-image documents the radius of a blob as about its sigma here."""

SIGMA_STEP = 2.0
"""Sigmas are even numbers of pixels. The library's boxes are int(3 sigma) wide, and it answers a Gaussian blob of
sigma 2, 4, 6 or 8 within half a pixel, of 3, 5 or 7 a whole pixel up and left, and of 2.6 with a tenth of the value."""

LEAST_PX = 8.0
"""Shadows are left wider than for other methods: half a pixel off is less in a larger picture, and boxes cost the same
at any sigma."""


def even_sigmas(widths: tuple[float, ...]) -> tuple[float, float, int]:
    """Return least and greatest sigma, and how many there are, for these widths.

    >>> even_sigmas((7.4, 14.7))
    (4.0, 8.0, 3)
    """
    low, high = (SIGMA_STEP * max(1, round(SIGMA_PER_FWHM * width / SIGMA_STEP)) for width in (widths[0], widths[-1]))
    return low, high, round((high - low) / SIGMA_STEP) + 1


def find(even: FloatArray, widths: tuple[float, ...]) -> Blobs:
    """Return scikit-image's blobs that are dark; the score is the determinant that it compares with its threshold.

    A determinant is positive on bright blobs as well: those are left out by the picture's own sign.
    """
    from skimage.feature import blob_doh, hessian_matrix_det  # half a second to import

    bright = -even
    low, high, count = even_sigmas(widths)
    found = blob_doh(bright, min_sigma=low, max_sigma=high, num_sigma=count, threshold=FLOOR)
    dark = found[at(even, found[:, 0], found[:, 1]) < 0]
    y, x, sigma = dark.astype(np.float32).T

    def respond(scale: float) -> FloatArray:
        return np.asarray(hessian_matrix_det(bright, scale), dtype=np.float32)

    return Blobs(y, x, sigma / SIGMA_PER_FWHM, at_scale(respond, y, x, sigma))


class BlobDoh(SingleFrame):
    """scikit-image's blob_doh (determinant of the Hessian) on evened log luminance, dark blobs only."""

    name = "blob_doh"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the blobs with their determinant."""
        return shelf(photograph, find, least_px=LEAST_PX)
