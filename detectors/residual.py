"""What lies below its surroundings."""

from __future__ import annotations

import math

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray, Photograph, SingleFrame, Spots
from .scan import scan

CELL = 0.75
"""Side of the cells whose means the median is taken of, in shadow widths: a shadow reaches into at most
nine of the 25 cells (5 × 5, 3.75 widths across), so it cannot move their median far."""

SMOOTHING = 0.7
"""Side of the averaging window, in shadow widths: 1/√2, the largest square within the shadow's disk."""


def background(log: FloatArray, fwhm: float) -> FloatArray:
    """Return the local median of log luminance on the scale of several shadows.

    A median of 5 × 5 cell means, stretched back by linear interpolation: OpenCV's median of floats has
    five pixels a side at most, and a background is smooth.
    """
    rows, columns = log.shape
    cells = (max(1, round(columns / (CELL * fwhm))), max(1, round(rows / (CELL * fwhm))))
    coarse = cv2.medianBlur(cv2.resize(log, cells, interpolation=cv2.INTER_AREA), 5)
    return np.asarray(cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def residual(log: FloatArray, fwhm: float) -> FloatArray:
    """Return background − log luminance, averaged over the shadow's core; reflecting borders."""
    side = max(1, 2 * math.floor(SMOOTHING * fwhm / 2) + 1)
    below = background(log, fwhm) - log
    return np.asarray(cv2.blur(below, (side, side), borderType=cv2.BORDER_REFLECT), dtype=np.float32)


class LocalResidual(SingleFrame):
    """How far a shadow's core lies below the local median, over the local noise."""

    name = "residual"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the maxima over place and width."""
        return scan(photograph, residual)
