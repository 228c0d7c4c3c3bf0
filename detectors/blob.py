"""OpenCV's simple blob detector."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..generators.cv import cv2
from .contract import Photograph, SingleFrame, Spots
from .dog import SIGMA_PER_FWHM, difference_of_gaussians
from .flat import CODES_PER_SIGMA, LEVEL, codes, flat
from .noise import in_noise_units
from .optical_scales import fwhm_range_px, ladder, reduction
from .picture import Picture, shrink
from .scan import fitting, kept

SHALLOWEST, DEEPEST, STEP = 1.5, 16.5, 1.5
"""First, last and step of the thresholds, in standard deviations below the background."""


def finder(low: float, high: float) -> Any:
    """Return the blob detector for shadows of these widths in pixels.

    A threshold cuts a shadow anywhere between its floor and its rim, so areas run from half the smallest
    width to twice the greatest; shapes may be as irregular as noise makes a round spot of a few pixels.
    """
    parameters = cv2.SimpleBlobDetector.Params()
    parameters.minThreshold = LEVEL - CODES_PER_SIGMA * DEEPEST
    parameters.maxThreshold = LEVEL - CODES_PER_SIGMA * SHALLOWEST
    parameters.thresholdStep = CODES_PER_SIGMA * STEP
    parameters.minRepeatability = 1
    parameters.minDistBetweenBlobs = low / 2
    parameters.filterByColor, parameters.blobColor = True, 0
    parameters.filterByArea = True
    parameters.minArea, parameters.maxArea = math.pi / 4 * (low / 2) ** 2, math.pi / 4 * (2 * high) ** 2
    parameters.filterByCircularity, parameters.minCircularity = True, 0.5
    parameters.filterByInertia, parameters.minInertiaRatio = True, 0.25
    parameters.filterByConvexity, parameters.minConvexity = True, 0.7
    return cv2.SimpleBlobDetector.create(parameters)


class Blob(SingleFrame):
    """OpenCV's SimpleBlobDetector on flattened 8-bit log luminance.

    OpenCV gives places and sizes and no order (its `response` stays 0 or a shape measure, by version), so the
    score is the contrast against the surroundings at the place, by a difference of Gaussians in noise units.
    """

    name = "blob"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the blobs, with their contrast as the score."""
        widths = fitting(ladder(*fwhm_range_px(photograph)), photograph.shape)
        parts = []
        for step in sorted({reduction(width) for width in widths}):
            here = [width / step for width in widths if reduction(width) == step]
            parts.append(_level(shrink(photograph, step), min(here), max(here)))
        return kept(parts, photograph.shape)


def _level(picture: Picture, low: float, high: float) -> Spots:
    typical = math.sqrt(low * high)
    found = finder(low, high).detect(codes(flat(picture.log, typical)))
    return _scored(picture, found, typical)


def _scored(picture: Picture, found: Any, typical: float) -> Spots:
    if len(found) == 0:
        return Spots()
    contrast = in_noise_units(difference_of_gaussians(picture.log, SIGMA_PER_FWHM * typical))
    x, y, size = np.array([(*point.pt, point.size) for point in found], dtype=np.float32).T
    rows = np.clip(np.rint(y).astype(np.intp), 0, contrast.shape[0] - 1)
    columns = np.clip(np.rint(x).astype(np.intp), 0, contrast.shape[1] - 1)
    spots = Spots(
        x=picture.to_photograph(x),
        y=picture.to_photograph(y),
        diameter_px=np.maximum(size * picture.step, 1),
        score=contrast[rows, columns],
    )
    return spots.take(picture.has_evidence[rows, columns])
