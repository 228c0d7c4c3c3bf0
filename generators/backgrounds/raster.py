"""Small operations on float32 rasters that the backgrounds share.

OpenCV is imported inside, so that importing a background costs nothing.
"""

from __future__ import annotations

import math

import numpy as np

from .base import FloatArray

BLUR_SAMPLES = 4.0
"""The mean over one sample then adds less than 1/12/4² = 0.5 % to the variance of a blur."""


def smoothstep(value: FloatArray, low: float, high: float) -> FloatArray:
    """Return 0 below `low`, 1 above `high` and the cubic 3t²−2t³ between them."""
    scale = 1.0 / (high - low)
    t: FloatArray = np.asarray(value, dtype=np.float32) * np.float32(scale)
    t -= np.float32(low * scale)
    np.clip(t, 0.0, 1.0, out=t)
    cubic = np.float32(-2.0) * t
    cubic += np.float32(3.0)
    cubic *= t
    cubic *= t
    return cubic


def mix(first: FloatArray, second: FloatArray, share: FloatArray) -> FloatArray:
    """Return `first` with the `share` (height, width), 0…1, of it replaced by `second`.

    Pictures are planes (3, height, width) here, colours (3, 1, 1): long rows of one colour are quick to
    compute with.
    """
    out = np.asarray(share * (second - first), dtype=np.float32)
    out += first
    return out


def colour(red: float, green: float, blue: float) -> FloatArray:
    """Return linear sRGB as float32 of shape (3, 1, 1)."""
    return np.array((red, green, blue), dtype=np.float32)[:, None, None]


def enlarge(small: FloatArray, step: int) -> FloatArray:
    """Return `small` enlarged `step` times, a power of two, by a cubic B-spline through its samples.

    A spline has a smooth slope, so that a landscape lit from the side doesn't show the grid it was made on
    (local cubic interpolation does). The first sample stays the first pixel; the edge is mirrored. The
    coefficients are doubled by the spline's two-scale relation, weights (1 4 6 4 1)/8, which is what a step
    up in an image pyramid computes, and evaluated at the last.
    """
    import cv2
    from scipy import ndimage

    if step == 1:
        return small
    knots = np.asarray(ndimage.spline_filter(small, order=3, output=np.float32, mode="mirror"))
    margin = 4  # the pyramid mirrors only its first row and column right
    knots = np.pad(knots, ((0, margin), (0, margin)), mode="reflect")
    for _ in range(step.bit_length() - 1):
        knots = np.asarray(cv2.pyrUp(knots), dtype=np.float32)
    at_knots = np.array((1, 4, 1), dtype=np.float32) / 6
    values = cv2.sepFilter2D(knots, -1, at_knots, at_knots, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(values[: small.shape[0] * step, : small.shape[1] * step], dtype=np.float32)


def reduced(image: FloatArray, step: int) -> FloatArray:
    """Return the means of every `step` × `step` samples, the last row and column repeated to fill them."""
    import cv2

    h, w = image.shape
    padded = np.pad(image, ((0, -h % step), (0, -w % step)), mode="edge")
    size = (padded.shape[1] // step, padded.shape[0] // step)
    return np.asarray(cv2.resize(padded, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def grown(small: FloatArray, shape: tuple[int, ...], step: int) -> FloatArray:
    """Return what `reduced` made small at its first shape, smoothly interpolated."""
    import cv2

    size = (step * small.shape[1], step * small.shape[0])
    large = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC)
    return np.asarray(large[: shape[0], : shape[1]], dtype=np.float32)


def blur(image: FloatArray, sigma_px: float) -> FloatArray:
    """Return a Gaussian blur; the edge is mirrored.

    A wide blur is made on a coarser grid that leaves at least `BLUR_SAMPLES` to its sigma.
    """
    import cv2

    step = 1 << max(0, math.floor(math.log2(sigma_px / BLUR_SAMPLES)))
    if step == 1:
        return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma_px), dtype=np.float32)
    return grown(np.asarray(cv2.GaussianBlur(reduced(image, step), (0, 0), sigma_px / step)), image.shape, step)


def remapped(source: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the value of `source` at column `x` and row `y` of every sample; the edge is mirrored."""
    import cv2

    out = cv2.remap(source, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    return np.asarray(out, dtype=np.float32)


def shifted(image: FloatArray, dx: float, dy: float) -> FloatArray:
    """Return the value of `image` at (x + dx, y + dy) for every sample; the edge is repeated."""
    import cv2

    h, w = image.shape
    move = np.array(((1, 0, dx), (0, 1, dy)), dtype=np.float32)
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(image, move, (w, h), flags=how, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32)


def rows(shape: tuple[int, int]) -> FloatArray:
    """Return the height of every row in the frame, 0 at the top and 1 at the bottom, (height, 1)."""
    return ((np.arange(shape[0]) + 0.5) / shape[0]).astype(np.float32)[:, None]


def columns(shape: tuple[int, int]) -> FloatArray:
    """Return the place of every column in the frame, 0 at the left and 1 at the right, (1, width)."""
    return ((np.arange(shape[1]) + 0.5) / shape[1]).astype(np.float32)[None, :]


def slope(height: FloatArray, angle_deg: float) -> FloatArray:
    """Return the rise of `height` per sample towards `angle_deg` (counter-clockwise from the x axis)."""
    import cv2

    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    kernel = np.array(((0, s, 0), (-c, 0, c), (0, -s, 0)), dtype=np.float32) / 2
    padded = cv2.copyMakeBorder(height, 1, 1, 1, 1, cv2.BORDER_REFLECT_101)
    padded[0], padded[-1] = 2 * padded[1] - padded[2], 2 * padded[-2] - padded[-3]  # the slope goes on at the edge
    padded[:, 0], padded[:, -1] = 2 * padded[:, 1] - padded[:, 2], 2 * padded[:, -2] - padded[:, -3]
    return np.asarray(cv2.filter2D(padded, -1, kernel)[1:-1, 1:-1], dtype=np.float32)
