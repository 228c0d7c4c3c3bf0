"""Log luminance with the scene's colour taken out of it: dust is neutral, most texture is not.

A shadow darkens all bands alike (within two per cent of depth), so it leaves the ratios of the bands as they
are. Where foliage, stone and shade differ in colour, those ratios tell part of the texture's brightness, and
what they tell can be taken off without touching a shadow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..generators.cv import cv2
from ..generators.transfer import decode
from .contract import DARKEST, LUMINANCE_WEIGHTS, FloatArray, Photograph
from .picture import SATURATED

BLOCK = 8
"""Side of the blocks whose moments are taken, in pixels of the shrunken picture: about a shadow's width."""

BLOCKS = 3
"""The regression at a place sees this many blocks each way."""

LEAST_VARIANCE = 1e-5
"""Added to the variance of each ratio: noise of 0.3 %, below which a ratio tells nothing."""

_STRIP_ROWS = 32  # of the photograph; a multiple of every step, and its linear light stays in the processor's cache


@dataclass(frozen=True, slots=True)
class Neutral:
    """A photograph shrunk by `step`, ready for comparison with shadows.

    Attributes
    ----------
    log
        Log luminance less what the colour tells of it, float32 (h, w).
    plain
        Log luminance as it is.
    seen
        True where the photograph says something: neither black nor saturated.
    """

    log: FloatArray
    plain: FloatArray
    seen: NDArray[np.bool_]


def neutral(photograph: Photograph, step: int) -> Neutral:
    """Return the photograph in means of step × step pixels of linear light, with and without its colour."""
    red, green, blue = _shrunk(photograph, step)
    light = LUMINANCE_WEIGHTS[0] * red
    for band, weight in ((green, LUMINANCE_WEIGHTS[1]), (blue, LUMINANCE_WEIGHTS[2])):
        light += weight * band
    brightest = cv2.max(red, green)
    seen = light > np.float32(DARKEST)
    seen &= cv2.max(brightest, blue, dst=brightest) < np.float32(SATURATED)
    plain, level = _log(light), _log(green)
    redness, blueness = _log(red), _log(blue)
    redness -= level
    blueness -= level
    return Neutral(log=without_colour(plain, redness, blueness), plain=plain, seen=seen)


def _shrunk(photograph: Photograph, step: int) -> FloatArray:
    """Return means of step × step pixels of linear light, (3, h, w)."""
    rows, columns = (side // step for side in photograph.shape)
    bands = np.empty((3, rows, columns), dtype=np.float32)
    for top in range(0, rows * step, _STRIP_ROWS):
        bottom = min(top + _STRIP_ROWS, rows * step)
        linear = decode(photograph.pixels[top:bottom, : columns * step], photograph.encoding)
        size = (columns, (bottom - top) // step)
        small = cv2.resize(linear, size, interpolation=cv2.INTER_AREA)
        cv2.split(small, [band[top // step : bottom // step] for band in bands])
    return bands


def _log(light: FloatArray) -> FloatArray:
    log = np.maximum(light, np.float32(DARKEST))
    return np.asarray(cv2.log(log, dst=log), dtype=np.float32)


def without_colour(log: FloatArray, first: FloatArray, second: FloatArray) -> FloatArray:
    """Return what local linear regression on two other maps leaves of a map, (h, w).

    With means and covariances over `BLOCKS` × `BLOCKS` blocks, L − c·(u − ū), c = cov(u)⁻¹ cov(u, L), the
    coefficients interpolated between blocks. A map that is small against a block is returned as it is.
    """
    height, width = log.shape
    if min(height, width) < BLOCK * BLOCKS:
        return log
    u, v = _Moments(first), _Moments(second)
    mean = _Moments(log).mean
    uu, vv = u.with_(first, u.mean) + LEAST_VARIANCE, v.with_(second, v.mean) + LEAST_VARIANCE
    uv, lu, lv = u.with_(second, v.mean), u.with_(log, mean), v.with_(log, mean)
    # Added to a variance that is not negative but for rounding, LEAST_VARIANCE keeps this above zero.
    determinant = np.maximum(uu * vv - uv * uv, LEAST_VARIANCE**2)
    on_u, on_v = (lu * vv - lv * uv) / determinant, (lv * uu - lu * uv) / determinant
    level = on_u * u.mean + on_v * v.mean
    left = log + _stretched(level, log.shape)
    for share, ratio in ((on_u, first), (on_v, second)):
        told = _stretched(share, log.shape)
        told *= ratio
        left -= told
    return np.asarray(left, dtype=np.float32)


class _Moments:
    """Local means of a map, and of its products with others."""

    def __init__(self, values: FloatArray) -> None:
        self._values = values
        self.mean = _local_mean(values)

    def with_(self, other: FloatArray, mean: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the local covariance with another map of which the local mean is given."""
        return np.asarray(_local_mean(np.multiply(self._values, other)) - self.mean * mean, dtype=np.float64)


def _local_mean(values: FloatArray) -> NDArray[np.float64]:
    size = (-(-values.shape[1] // BLOCK), -(-values.shape[0] // BLOCK))
    blocks = cv2.resize(values, size, interpolation=cv2.INTER_AREA).astype(np.float64)
    return np.asarray(cv2.blur(blocks, (BLOCKS, BLOCKS), borderType=cv2.BORDER_REFLECT_101))


def _stretched(blocks: NDArray[np.float64], shape: tuple[int, ...]) -> FloatArray:
    stretched = cv2.resize(blocks.astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(stretched, dtype=np.float32)
