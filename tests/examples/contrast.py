"""Contrast of a spot with its surroundings, in units of their spread."""

import numpy as np
from scipy import ndimage

from moteyard.detectors import Photograph, SingleFrame, Spots
from moteyard.detectors.optical_scales import fwhm_range_px, ladder

FLOOR = 0.4
LEAST_SPREAD = 0.003


class Contrast(SingleFrame):
    """Box mean of the surroundings less that of the spot, over the surroundings' standard deviation."""

    name = "contrast"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the local maxima over place and width."""
        log = photograph.log_luminance()
        best, widths = np.full(log.shape, -np.inf), np.ones(log.shape)
        for width in ladder(*fwhm_range_px(photograph)):
            side = max(3, round(0.7 * width))  # about the square inside a shadow's disk
            if 3 * side <= min(log.shape):
                score = contrast(log, side)
                widths[score > best] = width
                best = np.maximum(best, score)
        y, x = np.nonzero((best == ndimage.maximum_filter(best, 7)) & (best > FLOOR))
        return Spots(x, y, widths[y, x], best[y, x]).strongest(400)


def contrast(log: np.ndarray, side: int) -> np.ndarray:
    """Return the contrast of squares of this side with those three times as wide."""
    core = ndimage.uniform_filter(log, side)
    around = ndimage.uniform_filter(log, 3 * side)
    spread = ndimage.uniform_filter(log**2, 3 * side) - around**2
    return (around - core) / np.sqrt(np.maximum(spread, LEAST_SPREAD**2))
