"""A complete detector in one file: a spot is darker than the mean of its surroundings."""

import numpy as np
from scipy import ndimage

from moteyard.detectors import Photograph, SingleFrame, Spots


class Darkest(SingleFrame):
    """Box mean of the surroundings minus box mean of the spot, in log luminance."""

    name = "darkest"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the local maxima of the difference."""
        width = 15
        log = photograph.log_luminance()
        if min(log.shape) < 3 * width:
            return Spots()
        difference = ndimage.uniform_filter(log, 3 * width) - ndimage.uniform_filter(log, width)
        highest = ndimage.maximum_filter(difference, width)
        y, x = np.nonzero((difference == highest) & (difference > 0.005))
        spots = Spots(x=x, y=y, diameter_px=np.full(len(x), width), score=difference[y, x])
        return spots.strongest(1000)
