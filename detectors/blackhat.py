"""Morphological black-hat."""

from __future__ import annotations

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray, Photograph, SingleFrame, Spots
from .scan import scan

ELEMENT = 1.5
"""Diameter of the structuring element in shadow widths: it must not fit into the shadow, whose outer
diameter is up to twice its width at half depth."""

SMOOTHING = 0.25
"""Standard deviation of the Gaussian before it, in shadow widths: a closing follows the noise's highest
pixels, so the noise is averaged first (σ of a Gaussian as wide as the shadow would be 0.42)."""


def blackhat(log: FloatArray, fwhm: float) -> FloatArray:
    """Return closing − picture of the smoothed log luminance: how deep a pit narrower than the element is."""
    side = 2 * round(ELEMENT * fwhm / 2) + 1
    element = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    smooth = cv2.GaussianBlur(log, (0, 0), SMOOTHING * fwhm, borderType=cv2.BORDER_REFLECT)
    pits = cv2.morphologyEx(smooth, cv2.MORPH_BLACKHAT, element, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(pits, dtype=np.float32)


class BlackHat(SingleFrame):
    """Multi-scale black-hat (closing minus picture), over the local noise."""

    name = "blackhat"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the maxima over place and width."""
        return scan(photograph, blackhat)
