"""OpenCV's adaptive threshold and connected components."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray, Photograph, SingleFrame, Spots
from .flat import CODES_PER_SIGMA, codes
from .shelf import Blobs, at, shelf

DEPTH = 1.5
"""Standard deviations of noise by which a component lies below the mean around it. From 2 down it gains little."""

WINDOW = 4
"""Side of the window of that mean, in widths of the widest shadow: its surroundings outweigh it."""


def mask(even: FloatArray, widest: float) -> Any:
    """Return 255 where the picture lies `DEPTH` below its Gaussian local mean, elsewhere 0; uint8 (h, w)."""
    side = 2 * round(WINDOW * widest / 2) + 1
    return cv2.adaptiveThreshold(
        codes(even), 255, cv2.ADAPTIVE_THRESH_GAUSSIAN_C, cv2.THRESH_BINARY_INV, side, CODES_PER_SIGMA * DEPTH
    )


def find(even: FloatArray, widths: tuple[float, ...]) -> Blobs:
    """Return the components of a shadow's area, each a disk of it; the score is the depth in the middle."""
    _, _, stats, middles = cv2.connectedComponentsWithStats(mask(even, widths[-1]))
    areas, places = stats[1:, cv2.CC_STAT_AREA], middles[1:].astype(np.float32)  # 0 is the background
    least, most = (math.pi / 4 * side**2 for side in (widths[0] / 2, 2 * widths[-1]))
    good = (areas >= least) & (areas <= most)
    x, y = places[good].T
    return Blobs(y, x, 2 * np.sqrt(areas[good].astype(np.float32) / np.float32(math.pi)), -at(even, y, x))


class Adaptive(SingleFrame):
    """OpenCV's adaptive threshold and connected components on evened log luminance."""

    name = "adaptive"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the components with their depth."""
        return shelf(photograph, find)
