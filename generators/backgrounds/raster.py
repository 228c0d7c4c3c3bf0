"""Small operations on float32 rasters that the backgrounds share.

OpenCV is imported inside, so that importing a background costs nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from .base import FloatArray

BLUR_SAMPLES = 4.0
"""The mean over one sample then adds less than 1/12/4² = 0.5 % to the variance of a blur."""

Rows = Callable[[slice], FloatArray]
"""Gives the rows of a plane asked for."""

CACHED_SAMPLES = 1 << 15
"""Numbers, of four bytes, of which a few arrays fit into the second cache of a core."""

EDGE = 4
"""Coefficients beyond every edge of an enlargement; the pyramid mirrors only its first row and column right."""

SMOOTH_STEP = 8
"""From this step on a spline's coefficients are taken for its values: they differ by (2π/n)²/6 for waves of n samples
of the enlarged plane, 0.6 % for the shortest that a grid carries four samples of."""

_POLE = math.sqrt(3.0) - 2.0
_INTERPOLATION = np.array([math.sqrt(3.0) * _POLE ** abs(k) for k in range(-12, 13)], dtype=np.float32)
"""What makes a cubic spline's coefficients of its values, cut where it is down to 1e-7 (M. Unser, IEEE Signal Process.
Mag. 16(6), 22 (1999), from memory)."""
_AT_KNOTS = np.array((1, 4, 1), dtype=np.float32) / 6


def cached(shape: tuple[int, ...]) -> Iterator[slice]:
    """Yield the rows of an array in parts that several steps of arithmetic find in the processor's cache."""
    step = max(1, CACHED_SAMPLES // max(1, math.prod(shape[1:])))
    return (slice(top, top + step) for top in range(0, shape[0], step))


def smoothstep(value: FloatArray, low: float, high: float) -> FloatArray:
    """Return 0 below `low`, 1 above `high` and the cubic 3t²−2t³ between them."""
    scale = 1.0 / (high - low)
    cubics = np.empty(np.shape(value), dtype=np.float32)
    for part in cached(cubics.shape):
        t: FloatArray = np.asarray(value[part], dtype=np.float32) * np.float32(scale)
        t -= np.float32(low * scale)
        np.clip(t, 0.0, 1.0, out=t)
        cubic = np.multiply(np.float32(-2.0), t, out=cubics[part])
        cubic += np.float32(3.0)
        cubic *= t
        cubic *= t
    return cubics


def mix(first: FloatArray, second: FloatArray, share: FloatArray) -> FloatArray:
    """Return `first` with the `share` (height, width), 0…1, of it replaced by `second`.

    Pictures are planes (3, height, width) here, colours (3, 1, 1): long rows of one colour are quick to
    compute with.
    """
    out = np.empty(np.broadcast_shapes(first.shape, second.shape, share.shape), dtype=np.float32)
    for part in cached(out.shape[1:]):
        one, other = (each[:, part] if each.shape[1] > 1 else each for each in (first, second))
        mixed = np.multiply(share[part], other - one, out=out[:, part])
        mixed += one
    return out


def colour(red: float, green: float, blue: float) -> FloatArray:
    """Return linear sRGB as float32 of shape (3, 1, 1)."""
    return np.array((red, green, blue), dtype=np.float32)[:, None, None]


@dataclass(frozen=True, slots=True)
class Enlargement:
    """A plane enlarged a power of two times by a cubic B-spline through its samples, given out in bands of rows.

    A spline has a smooth slope, so that a landscape lit from the side doesn't show the grid it was made on
    (local cubic interpolation does). The first sample stays the first pixel; the edge is mirrored. The
    coefficients are doubled by the spline's two-scale relation, weights (1 4 6 4 1)/8, which is what a step
    up in an image pyramid computes. Bands are made one by one, so that every doubling stays in the cache.

    Attributes
    ----------
    knots
        Coefficients of the spline with `EDGE` more on every side.
    step
        How many times it is enlarged.
    """

    knots: FloatArray
    step: int

    @classmethod
    def through(cls, small: FloatArray, step: int) -> Enlargement:
        """Return the enlargement whose every `step`-th sample is one of `small`."""
        import cv2

        knots = cv2.sepFilter2D(small, -1, _INTERPOLATION, _INTERPOLATION, borderType=cv2.BORDER_REFLECT_101)
        padded = cv2.copyMakeBorder(knots, EDGE, EDGE, EDGE, EDGE, cv2.BORDER_REFLECT_101)
        return cls(np.asarray(padded, dtype=np.float32), step)

    def rows(self, part: slice) -> FloatArray:
        """Return some rows, with all their columns."""
        import cv2

        step, first = self.step, part.start // self.step - 2
        band = self.knots[first + EDGE : (part.stop - 1) // self.step + 3 + EDGE]
        while step > 1:
            step //= 2
            band = np.asarray(cv2.pyrUp(band), dtype=np.float32)
            wanted = slice(part.start // step - 2, (part.stop - 1) // step + 3)
            band = band[wanted.start - 2 * first : wanted.stop - 2 * first]
            first = wanted.start
        if self.step < SMOOTH_STEP:
            band = np.asarray(cv2.sepFilter2D(band, -1, _AT_KNOTS, _AT_KNOTS), dtype=np.float32)
        edge = EDGE * self.step
        return band[part.start - first : part.stop - first, edge : band.shape[1] - edge]


def enlarge(small: FloatArray, step: int) -> FloatArray:
    """Return the whole of `Enlargement.through(small, step)`."""
    if step == 1:
        return small
    return np.ascontiguousarray(Enlargement.through(small, step).rows(slice(0, step * small.shape[0])))


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
