"""What a camera does to a developed picture: noise reduction and sharpening, on sRGB values in 0…1."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

LUMA = np.array([0.299, 0.587, 0.114], dtype=np.float32)
"""Weights of encoded red, green and blue in luma (ITU-R BT.601), which JPEG uses as well."""

FILTER_PX = 7
"""Width of the bilateral filters: fine grain is smoothed, wider shadows and clouds are out of reach."""

SPREAD_PX = 2.0
"""Standard deviation of their spatial weights."""

CHROMA_EXTRA = 2.0
"""Colour noise is smoothed more than grain, on a raster of half the size (common practice)."""

_REACH = 4.0
"""Standard deviations at which a Gaussian is cut: 6e-5 of it lies beyond."""


def halo_rows(sharpening_px: float) -> int:
    """Return how many rows beyond a strip change it, an even number so that half-size rasters stay aligned."""
    reach = 2 * FILTER_PX + math.ceil(_REACH * sharpening_px)
    return reach + reach % 2


def reduce_noise(picture: FloatArray, sigma: float) -> FloatArray:
    """Return a picture (height, width, 3) with its grain smoothed but not its edges.

    A bilateral filter (Tomasi & Manduchi, ICCV 1998) of luma, and of the two colour differences at half size.

    Parameters
    ----------
    sigma
        Standard deviation of the weights over differences of value; some 2 to 3 times the noise's own.
    """
    from .cv import cv2

    luma, *chroma = cv2.split(cv2.cvtColor(picture, cv2.COLOR_RGB2YCrCb))
    smooth = [cv2.bilateralFilter(luma, FILTER_PX, sigma, SPREAD_PX)]
    height, width = luma.shape
    for plane in chroma:
        half = cv2.resize(plane, ((width + 1) // 2, (height + 1) // 2), interpolation=cv2.INTER_AREA)
        half = cv2.bilateralFilter(half, FILTER_PX, CHROMA_EXTRA * sigma, SPREAD_PX)
        smooth.append(cv2.resize(half, (width, height), interpolation=cv2.INTER_LINEAR))
    return np.asarray(cv2.cvtColor(cv2.merge(smooth), cv2.COLOR_YCrCb2RGB), dtype=np.float32)


def sharpen(picture: FloatArray, amount: float, *, radius_px: float) -> FloatArray:
    """Return a picture (height, width, 3) whose luma is raised by `amount` × (luma − its blur).

    The unsharp mask. A frequency f, in cycles a pixel, is multiplied by 1 + amount·(1 − exp(−2π²r²f²)), r being
    the standard deviation `radius_px` of the blur; all three colours take the same step, so none is fringed.
    """
    from .cv import cv2

    luma = cv2.transform(picture, LUMA[None, :])
    side = 2 * math.ceil(_REACH * radius_px) + 1
    detail = luma - cv2.GaussianBlur(luma, (side, side), radius_px)
    return np.asarray(picture + np.float32(amount) * detail[..., None], dtype=np.float32)
