"""Whether two photographs show the same scene in the same place: the second then tells nothing new."""

from __future__ import annotations

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray

SAME = 0.9
"""Likeness from which a photograph counts as a repetition and adds no evidence."""

ALIKE = 0.5
"""Likeness from which the user is told that the scene hardly moved."""

FINE_PX, COARSE_PX = 2, 8
"""Sides of the two averaging windows whose difference is compared, in pixels of the shrunken picture: the
scale of shadows."""

TILE = 24
"""Side of the tiles that are compared, in samples of the band; a shadow reaches into few of them."""

LEAST_TEXTURE = 2e-3
"""Standard deviation of log luminance in a tile under which its texture is rounding and not scene."""


def thumbnail(log: FloatArray) -> FloatArray:
    """Return a picture's band of the scale of shadows, at half its size."""
    size = (max(1, log.shape[1] // FINE_PX), max(1, log.shape[0] // FINE_PX))
    small = cv2.resize(log, size, interpolation=cv2.INTER_AREA)
    side = COARSE_PX // FINE_PX * 2 + 1
    return np.asarray(small - cv2.blur(small, (side, side), borderType=cv2.BORDER_REFLECT_101), dtype=np.float32)


def likeness(first: FloatArray, second: FloatArray) -> float:
    """Return how much two thumbnails of one size show the same, the median over tiles of Pearson's correlation.

    1 for the same scene, about 0 for another. Shadows of dust stay in place from scene to scene, but they lie in
    few tiles, and a median does not see them. 0 where no tile has texture in both.
    """
    a, b = _tiles(first), _tiles(second)
    spread_a, spread_b = a.std(axis=1), b.std(axis=1)
    textured = (spread_a > LEAST_TEXTURE) & (spread_b > LEAST_TEXTURE)
    if not textured.any():
        return 0.0
    covariance = ((a - a.mean(axis=1, keepdims=True)) * (b - b.mean(axis=1, keepdims=True))).mean(axis=1)
    return float(np.median(covariance[textured] / (spread_a * spread_b)[textured]))


def _tiles(band: FloatArray) -> FloatArray:
    side = min(TILE, *band.shape)
    rows, columns = band.shape[0] // side, band.shape[1] // side
    cut = band[: rows * side, : columns * side].reshape(rows, side, columns, side)
    return np.asarray(cut.transpose(0, 2, 1, 3).reshape(rows * columns, side * side), dtype=np.float64)
