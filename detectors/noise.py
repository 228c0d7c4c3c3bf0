"""A response in units of its own local noise, so that one threshold serves sky and scrub of one frame."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray

WINDOW = 31
"""Side of the window over which noise is measured, in pixels of the shrunken picture: four to eight shadows.
Cloud and snow change over that length. Average precision of the black-hat in synthetic sky: 0.09 by medians
over blocks of 32 px, 0.11 by blocks of 8, 0.47 by this; of the difference of Gaussians 0.19, 0.56, 0.65."""

LEAST = 1e-3
"""Least noise in log luminance. One step of an 8-bit sRGB code is 1.2 % of mid grey, its rounding error a
third of that, and a mean over a shadow's dozens of pixels again some times less."""

SIGMA_PER_MEAN = math.sqrt(math.pi / 2)
"""Standard deviation over mean absolute deviation, normal distribution."""


def local_level(response: FloatArray, *, window: int = WINDOW) -> tuple[FloatArray, FloatArray]:
    """Return local mean and local standard deviation (at least `LEAST`), both of the map's shape.

    The deviation comes from the mean absolute one, which a single strong spot raises less than the root mean
    square. Reflecting borders.
    """
    middle = _mean(response, window)
    spread = _mean(cv2.absdiff(response, middle), window)
    spread *= np.float32(SIGMA_PER_MEAN)
    return middle, np.maximum(spread, np.float32(LEAST), out=spread)


def in_noise_units(response: FloatArray, *, window: int = WINDOW) -> FloatArray:
    """Return (response − local mean) / local standard deviation, of the map's shape."""
    middle, spread = local_level(response, window=window)
    np.subtract(response, middle, out=middle)
    return np.divide(middle, spread, out=middle)


def _mean(values: Any, window: int) -> FloatArray:
    averaged = cv2.blur(values, (window, window), borderType=cv2.BORDER_REFLECT)
    return np.asarray(averaged, dtype=np.float32)
