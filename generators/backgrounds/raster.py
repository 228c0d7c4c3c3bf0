"""Small operations on float32 rasters that the backgrounds share.

OpenCV is imported inside, so that importing a background costs nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray

BLUR_SAMPLES = 4.0
"""The mean over one sample then adds less than 1/12/4² = 0.5 % to the variance of a blur."""

Rows = Callable[[slice], FloatArray]
"""Gives the rows of a plane asked for."""

CACHED_SAMPLES = 1 << 15
"""Numbers, of four bytes, of which a few arrays fit into the second cache of a core."""

EDGE = 4
"""Coefficients beyond every edge of an enlargement; the pyramid mirrors only its first row and column right."""

_POLE = math.sqrt(3.0) - 2.0
_INTERPOLATION = np.array([math.sqrt(3.0) * _POLE ** abs(k) for k in range(-8, 9)], dtype=np.float32)
_INTERPOLATION /= _INTERPOLATION.sum()
"""What makes a cubic spline's coefficients of its values, cut where it is down to 5e-5 (M. Unser, IEEE Signal Process.
Mag. 16(6), 22 (1999), from memory)."""


def cached(shape: tuple[int, ...]) -> Iterator[slice]:
    """Yield the rows of an array in parts that several steps of arithmetic find in the processor's cache."""
    step = max(1, CACHED_SAMPLES // max(1, math.prod(shape[1:])))
    return (slice(top, top + step) for top in range(0, shape[0], step))


def smoothstep(value: FloatArray, low: float, high: float) -> FloatArray:
    """Return 0 below `low`, 1 above `high` and the cubic 3t²−2t³ between them."""
    values = np.asarray(value, dtype=np.float32)
    cubics = np.empty(values.shape, dtype=np.float32)
    scale = 1.0 / (high - low)
    for part in cached(cubics.shape):
        t = np.multiply(values[part], np.float32(scale), dtype=np.float32)
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


def blended(weights: Sequence[FloatArray], colours: Sequence[FloatArray]) -> FloatArray:
    """Return the sum of colours (3, 1, 1), two or more, each times a weight (height, width), as planes."""
    return in_cache(lambda *lit: lit, colours, *weights)


def in_cache(
    weigh: Callable[..., Sequence[FloatArray]], colours: Sequence[FloatArray], *planes: FloatArray
) -> FloatArray:
    """Return what `blended` makes of weights that `weigh` makes of planes sample by sample, a few rows at a time."""
    import cv2

    out = np.empty((3, *planes[0].shape), dtype=np.float32)
    tints = [[float(value) for value in tint.ravel()] for tint in colours]
    for part in cached(planes[0].shape):
        lit = weigh(*(plane[part] for plane in planes))
        for number, plane in enumerate(out[:, part]):
            cv2.addWeighted(lit[0], tints[0][number], lit[1], tints[1][number], 0.0, dst=plane)
            for weight, tint in zip(lit[2:], tints[2:], strict=True):
                cv2.scaleAdd(weight, tint[number], plane, dst=plane)
    return out


def sample_by_sample(make: Callable[..., FloatArray], *planes: FloatArray) -> FloatArray:
    """Return the plane that `make` makes of planes sample by sample, a few rows at a time."""
    out = np.empty_like(planes[0])
    for part in cached(out.shape):
        out[part] = make(*(plane[part] for plane in planes))
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

        # Doubled coefficients are taken for values, which are their mean by (1 4 1)/6: so much is blurred beforehand.
        share = 1 / (6 * step * step)
        kernel = np.convolve(_INTERPOLATION, np.array((share, 1 - 2 * share, share), dtype=np.float32))
        knots = cv2.sepFilter2D(small, -1, kernel, kernel, borderType=cv2.BORDER_REFLECT_101)
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
        edge = EDGE * self.step
        return band[part.start - first : part.stop - first, edge : band.shape[1] - edge]


def reduced(image: FloatArray | NDArray[np.uint8], step: int) -> FloatArray:
    """Return the means of every `step` × `step` samples, the last row and column repeated to fill them."""
    import cv2

    h, w = image.shape
    size = (-(-w // step), -(-h // step))
    filled = (
        cv2.copyMakeBorder(image, 0, -h % step, 0, -w % step, cv2.BORDER_REPLICATE) if h % step or w % step else image
    )
    return np.asarray(cv2.resize(filled, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def kept(whole: FloatArray) -> Rows:
    """Return what gives copies of rows of a plane."""
    return lambda part: whole[part].copy()


def wrapped(plane: FloatArray, before: int, after: int) -> FloatArray:
    """Return a periodic plane with so many more samples before and after its rows and columns."""
    import cv2

    large = cv2.copyMakeBorder(plane, before, after, before, after, cv2.BORDER_WRAP)
    return np.asarray(large, dtype=np.float32)


def grown(small: FloatArray, shape: tuple[int, ...], step: int) -> FloatArray:
    """Return what `reduced` made small at its first shape, interpolated along straight lines: it should be smooth."""
    import cv2

    size = (step * small.shape[1], step * small.shape[0])
    large = cv2.resize(small, size, interpolation=cv2.INTER_LINEAR)
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
    """Return the value of `image` at (x + dx, y + dy) for every sample, a few at most; the edge is repeated."""
    import cv2

    weights, anchor = [], []
    for shift in (dy, dx):
        whole = math.floor(shift)
        first, last = min(whole, 0), max(whole + 1, 0)
        line = np.zeros(last - first + 1, dtype=np.float32)
        line[whole - first], line[whole - first + 1] = 1 - (shift - whole), shift - whole
        weights.append(line)
        anchor.append(-first)
    kernel = np.outer(*weights)  # of which only the four numbers that are not 0 cost time
    out = cv2.filter2D(image, -1, kernel, anchor=(anchor[1], anchor[0]), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.float32)


def rows(shape: tuple[int, int]) -> FloatArray:
    """Return the height of every row in the frame, 0 at the top and 1 at the bottom, (height, 1)."""
    return ((np.arange(shape[0]) + 0.5) / shape[0]).astype(np.float32)[:, None]


def columns(shape: tuple[int, int]) -> FloatArray:
    """Return the place of every column in the frame, 0 at the left and 1 at the right, (1, width)."""
    return ((np.arange(shape[1]) + 0.5) / shape[1]).astype(np.float32)[None, :]


def slope(height: FloatArray, angle_deg: float, scale: float = 1.0, level: float = 0.0) -> FloatArray:
    """Return `level` and `scale` times the rise of `height` a sample towards `angle_deg`, counter-clockwise from x."""
    import cv2

    c, s = scale * math.cos(math.radians(angle_deg)), scale * math.sin(math.radians(angle_deg))
    kernel = np.array(((0, s, 0), (-c, 0, c), (0, -s, 0)), dtype=np.float32) / 2
    rise = cv2.filter2D(height, -1, kernel, delta=level, borderType=cv2.BORDER_REFLECT_101)
    # The slope goes on at the edge, where the mirrored border has none.
    for across, steepness in ((height, -s), (height.T, c)):
        along = rise if across is height else rise.T
        if len(across) > 1:
            along[0] += np.float32(steepness) * (across[1] - across[0])
            along[-1] += np.float32(steepness) * (across[-1] - across[-2])
    return np.asarray(rise, dtype=np.float32)
