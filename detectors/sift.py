"""OpenCV's scale-invariant keypoints, taken as blobs."""

from __future__ import annotations

import math

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray, Photograph, SingleFrame, Spots
from .flat import codes
from .shelf import Blobs, at, shelf

FLOOR = 0.03
"""Contrast of the difference of Gaussians, in the library's own units, under which nothing is a candidate: its default
of 0.04 loses faint shadows."""

LEAST_PX = 4.0
"""The library doubles the picture by itself, so that more shrinking is right before it."""

FWHM_PER_SIZE = math.sqrt(2)
"""A keypoint's size is twice its sigma, a disk of width w answers most at w/(2√2)."""


def find(even: FloatArray, widths: tuple[float, ...]) -> Blobs:
    """Return OpenCV's keypoints that are dark and of a shadow's size; the score is the library's response.

    A keypoint is an extremum of either sign; the bright ones are left out by the picture's own sign.
    """
    finder = cv2.SIFT.create(nfeatures=0, contrastThreshold=FLOOR)
    points = [(*point.pt, point.size, point.response) for point in finder.detect(codes(even), None)]
    x, y, size, response = np.array(points, dtype=np.float32).reshape(-1, 4).T
    width = FWHM_PER_SIZE * size
    good = (width > widths[0] / 2) & (width < 2 * widths[-1]) & (at(even, y, x) < 0)
    return Blobs(y[good], x[good], width[good], response[good])


class Sift(SingleFrame):
    """OpenCV's SIFT keypoints (extrema of differences of Gaussians) on evened log luminance, dark ones only."""

    name = "sift"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the keypoints with their response."""
        return shelf(photograph, find, least_px=LEAST_PX)
