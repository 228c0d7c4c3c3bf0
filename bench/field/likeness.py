"""Whether two pictures show the same scene in the same framing, so that what they share proves nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph
from ...detectors.picture import shrink
from ...generators.cv import cv2
from ...generators.orientation import turned_back

FloatArray = NDArray[np.float32]

SIZE = (48, 32)
"""Width and height of the thumbnails that are compared."""

ALIKE = 0.9
"""Correlation from which two thumbnails show one scene."""

FLAT = 0.03
"""Standard deviation of log luminance below which a thumbnail shows nothing by which to know a scene."""


def thumbnail(photograph: Photograph, orientation: int) -> FloatArray:
    """Return log luminance as the sensor lay, `SIZE`, without what all skies share and without dust.

    A quadratic surface is taken out, which is the fall of light across a sky or a lens, and a median of 5×5
    takes out whatever is as small as a shadow.
    """
    step = 1
    while step < 256 and min(photograph.shape) // (2 * step) >= 2 * SIZE[1]:
        step *= 2
    log = turned_back(shrink(photograph, step).log, orientation)
    small = cv2.resize(cv2.medianBlur(np.ascontiguousarray(log), 5), SIZE, interpolation=cv2.INTER_AREA)
    y, x = (grid.ravel() for grid in np.mgrid[-1 : 1 : SIZE[1] * 1j, -1 : 1 : SIZE[0] * 1j])
    surface = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    flat = small.ravel() - surface @ np.linalg.lstsq(surface, small.ravel(), rcond=None)[0]
    return np.asarray(flat.reshape(small.shape), dtype=np.float32)


def alike(first: FloatArray, second: FloatArray) -> bool:
    """Say whether two thumbnails show the same scene."""
    if min(first.std(), second.std()) < FLAT:
        return False
    return float(np.corrcoef(first.ravel(), second.ravel())[0, 1]) > ALIKE
