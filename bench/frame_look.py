"""A frame in a few hundred numbers, by which it is known again where rounding has changed its digest.

Other versions of libraries, or another processor, round a pixel here and there; compression spreads that over
blocks of 8×8. Nothing else of a frame changes then: not the mean of any part, and not the noise in its middle.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

PARTS = (8, 12)
"""Rows and columns of parts whose means are kept."""

MIDDLE_PX = 16
"""Side of the square in the middle whose pixels are kept."""

SAME_MEAN = 0.25
"""Of 255. Means of thousands of rounded pixels agree within hundredths; float16 keeps them within 0.06."""

SAME_PIXEL, SAME_SHARE = 3.0, 0.9
"""Of 255, and the share of pixels in the middle that must agree so well. Other noise of two or three differs more."""


def look(pixels: NDArray[Any]) -> NDArray[np.float16]:
    """Return means of parts and then the middle's pixels, float16 (n,), in 255ths of the largest code."""
    scale = 255 / np.iinfo(pixels.dtype).max
    strips = (part for strip in np.array_split(pixels, PARTS[0]) for part in np.array_split(strip, PARTS[1], axis=1))
    means = [float(part.mean()) * scale for part in strips]
    top, left = ((side - MIDDLE_PX) // 2 for side in pixels.shape[:2])
    middle = pixels[top : top + MIDDLE_PX, left : left + MIDDLE_PX].astype(np.float64) * scale
    return np.concatenate([means, middle.ravel()]).astype(np.float16)


def alike(one: NDArray[np.float16], other: NDArray[np.float16]) -> bool:
    """Tell whether two looks are of one frame but for rounding."""
    if one.shape != other.shape:
        return False
    gap = np.abs(one.astype(np.float64) - other.astype(np.float64))
    parts = PARTS[0] * PARTS[1]
    return bool(gap[:parts].max() <= SAME_MEAN and np.mean(gap[parts:] <= SAME_PIXEL) >= SAME_SHARE)
