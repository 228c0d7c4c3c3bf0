"""Small operations on float32 rasters that the backgrounds share.

OpenCV is imported inside, so that importing a background costs nothing.
"""

from __future__ import annotations

import math
from typing import cast

import numpy as np

from .base import FloatArray

BLUR_SAMPLES = 4.0
"""The mean over one sample then adds less than 1/12/4² = 0.5 % to the variance of a blur."""


def smoothstep(value: FloatArray, low: float, high: float) -> FloatArray:
    """Return 0 below `low`, 1 above `high` and the cubic 3t²−2t³ between them."""
    t: FloatArray = np.clip((value - np.float32(low)) * np.float32(1.0 / (high - low)), 0.0, 1.0)
    return cast(FloatArray, t * t * (3 - 2 * t))


def mix(first: FloatArray, second: FloatArray, share: FloatArray) -> FloatArray:
    """Return `first` with the `share` (height, width), 0…1, of it replaced by `second`."""
    return cast(FloatArray, first + (second - first) * share[..., None])


def colour(red: float, green: float, blue: float) -> FloatArray:
    """Return linear sRGB as float32 of shape (3,)."""
    return np.array((red, green, blue), dtype=np.float32)


def enlarge(small: FloatArray, step: int) -> FloatArray:
    """Return `small` enlarged a whole number of times by a cubic B-spline through its samples.

    A spline has a smooth slope, so that a landscape lit from the side doesn't show the grid it was made on
    (local cubic interpolation does). The first sample stays the first pixel.
    """
    from scipy import ndimage

    knots = np.asarray(ndimage.spline_filter(small, order=3, output=np.float32, mode="mirror"))
    return _spline_rows(_spline_rows(knots.T, step).T, step)


def _spline_rows(knots: FloatArray, step: int) -> FloatArray:
    """Return `step` rows for every row of B-spline coefficients, the edge mirrored."""
    n = knots.shape[0]
    padded = np.pad(knots, ((1, 2), (0, 0)), mode="reflect")
    out = np.empty((n, step, knots.shape[1]), dtype=np.float32)
    for phase in range(step):
        t = phase / step
        weights = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, 1 + 3 * t + 3 * t**2 - 3 * t**3, t**3)
        first, *others = (padded[k : k + n] * np.float32(weight / 6) for k, weight in enumerate(weights))
        out[:, phase] = sum(others, first)
    return out.reshape(n * step, knots.shape[1])


def blur(image: FloatArray, sigma_px: float) -> FloatArray:
    """Return a Gaussian blur; the edge is mirrored.

    A wide blur is made on a coarser grid that leaves at least `BLUR_SAMPLES` to its sigma.
    """
    import cv2

    step = 1 << max(0, math.floor(math.log2(sigma_px / BLUR_SAMPLES)))
    if step == 1:
        return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma_px), dtype=np.float32)
    h, w = image.shape
    padded = cv2.copyMakeBorder(image, 0, -h % step, 0, -w % step, cv2.BORDER_REFLECT)
    full = (padded.shape[1], padded.shape[0])
    small = cv2.resize(padded, (full[0] // step, full[1] // step), interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), sigma_px / step)
    return np.asarray(cv2.resize(blurred, full, interpolation=cv2.INTER_CUBIC)[:h, :w], dtype=np.float32)


def warp(source: FloatArray, dx: FloatArray, dy: FloatArray) -> FloatArray:
    """Return the value of `source` at (x + dx, y + dy) for every pixel of `dx`; the edge is mirrored."""
    import cv2

    h, w = dx.shape
    map_x = np.arange(w, dtype=np.float32)[None, :] + dx.astype(np.float32)
    map_y = np.arange(h, dtype=np.float32)[:, None] + dy.astype(np.float32)
    out = cv2.remap(source, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    return np.asarray(out, dtype=np.float32)


def shifted(image: FloatArray, dx: float, dy: float) -> FloatArray:
    """Return the value of `image` at (x + dx, y + dy) for every pixel; the edge is mirrored."""
    return warp(image, np.full(image.shape, dx, np.float32), np.full(image.shape, dy, np.float32))


def rows(shape: tuple[int, int]) -> FloatArray:
    """Return the height of every row in the frame, 0 at the top and 1 at the bottom, (height, 1)."""
    return ((np.arange(shape[0]) + 0.5) / shape[0]).astype(np.float32)[:, None]


def columns(shape: tuple[int, int]) -> FloatArray:
    """Return the place of every column in the frame, 0 at the left and 1 at the right, (1, width)."""
    return ((np.arange(shape[1]) + 0.5) / shape[1]).astype(np.float32)[None, :]


def slope(height: FloatArray, angle_deg: float) -> FloatArray:
    """Return the rise of `height` per pixel towards `angle_deg` (counter-clockwise from the x axis)."""
    down, right = np.gradient(height)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.asarray(np.float32(c) * right - np.float32(s) * down, dtype=np.float32)
