"""OpenCV's maximally stable extremal regions."""

from __future__ import annotations

import math

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray, Photograph, SingleFrame, Spots
from .flat import codes
from .shelf import Blobs, at, shelf

DELTA = 5
"""Codes over which a region must keep its area, under half a standard deviation of noise: 3 to 10 were tried, lower
finds more noise, higher loses faint shadows."""

MOST_VARIATION = 0.5
"""Relative change of area over ±DELTA up to which a region is stable; a soft edge varies more than a sharp one, for
which the library's 0.25 is made."""


def find(even: FloatArray, widths: tuple[float, ...]) -> Blobs:
    """Return OpenCV's dark regions, each a disk of its area; the score is the picture's depth in the middle.

    The second of the library's two passes finds bright regions, so it is given the negative.
    """
    least, most = (math.pi / 4 * side**2 for side in (widths[0] / 2, 2 * widths[-1]))
    finder = cv2.MSER.create(
        delta=DELTA, min_area=max(1, round(least)), max_area=round(most), max_variation=MOST_VARIATION
    )
    finder.setPass2Only(True)
    regions, _ = finder.detectRegions(255 - codes(even))
    middles = np.array([np.mean(region, axis=0) for region in regions], dtype=np.float32).reshape(-1, 2)
    areas = np.array([len(region) for region in regions], dtype=np.float32)
    x, y = middles.T
    return Blobs(y, x, 2 * np.sqrt(areas / np.float32(math.pi)), -at(even, y, x))


class Mser(SingleFrame):
    """OpenCV's MSER (maximally stable extremal regions) on evened log luminance, dark regions only."""

    name = "mser"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the regions with their depth."""
        return shelf(photograph, find)
