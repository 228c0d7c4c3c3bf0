"""Test frames laid over each other: shading divided out, the screen's marks taken off, dust left.

Light on the sensor is shading × marks × dust. Shading is smooth; marks belong to the screen and move when it does;
dust stays. So what is left after a smooth light is divided out is dust where the frames agree, a mark where they
differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...generators.cv import cv2
from ..contract import DARKEST, FloatArray, Photograph
from ..noise import SIGMA_PER_MEAN
from ..optical_scales import fwhm_range_px
from ..picture import SATURATED
from ..residual import background

MARK_BLUR_PX = 5.0
"""Standard deviation of the smoothing under which frames are compared: finer than any defocused mark, coarse enough
to bring the noise of a pixel down 2√π·5 = 18 times."""

MARK_SIGMAS = 4.0
"""A difference between smoothed frames is a mark from so many standard deviations on."""

PLAIN_MARK = 0.003
"""From this contrast on a difference is said to be a mark; less is any screen's slow unevenness."""

DIM = 0.2
"""Below this share of the frame's bright level a place is no lit screen: its edge, a bezel, a finger."""

BRIGHT_PERCENTILE = 90.0


@dataclass(frozen=True, slots=True)
class Stack:
    """Frames of one lens and aperture, flattened.

    Attributes
    ----------
    frames
        Light over the smooth light about it, without marks, float32 (height, width) each: 1 on a clear filter.
    mean
        Their mean.
    shading
        The smooth light of each, linear luminance, float32 (height, width).
    usable
        Where no frame is clipped and all show the lit screen, booleans (height, width).
    marked
        Share of the picture where a mark of the screen was taken off; nan for one frame, which can't tell.
    noise
        Standard deviation of one pixel of one frame.
    """

    frames: tuple[FloatArray, ...]
    mean: FloatArray
    shading: tuple[FloatArray, ...]
    usable: NDArray[np.bool_]
    marked: float
    noise: float

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return int(self.mean.shape[0]), int(self.mean.shape[1])

    def holds(self, x: float, y: float) -> bool:
        """Tell whether a place lies in the picture."""
        return -0.5 <= x < self.shape[1] - 0.5 and -0.5 <= y < self.shape[0] - 0.5


def stacked(frames: Sequence[Photograph]) -> Stack:
    """Return frames of one plain screen, which was moved between them, flattened and freed of the screen's marks.

    Raises
    ------
    ValueError
        If there is none, or they differ in size.
    """
    if not frames:
        raise ValueError("a survey needs at least one test frame")
    if len({frame.shape for frame in frames}) > 1:
        raise ValueError(f"test frames must have one size, not {sorted({frame.shape for frame in frames})}")
    flats: list[FloatArray] = []
    shadings: list[FloatArray] = []
    usable = np.ones(frames[0].shape, dtype=bool)
    for frame in frames:
        light = np.maximum(frame.luminance(), np.float32(DARKEST))
        smooth = background(light, fwhm_range_px(frame)[1])
        usable &= (smooth < SATURATED) & (smooth > DIM * np.percentile(smooth[::4, ::4], BRIGHT_PERCENTILE))
        flats.append(np.asarray(light / smooth, dtype=np.float32))
        shadings.append(smooth)
    noise = pixel_noise(flats[0])
    marked = _without_marks(flats, noise)
    mean = flats[0] if len(flats) == 1 else np.mean(flats, axis=0)
    return Stack(tuple(flats), np.asarray(mean, np.float32), tuple(shadings), usable, marked, noise)


def pixel_noise(flat: FloatArray) -> float:
    """Return the noise of a pixel from differences of neighbours in which nothing of a screen or a shadow is seen.

    A second difference of white noise has six times its variance; its mean size leaves out what is rare.
    """
    second = flat[:, :-2] - 2 * flat[:, 1:-1] + flat[:, 2:]
    return float(SIGMA_PER_MEAN * np.mean(np.abs(second)) / np.sqrt(6))


def _without_marks(flats: list[FloatArray], noise: float) -> float:
    """Take off, in place, what is in one frame and not in the others; return the share of pixels that changed."""
    if len(flats) < 2:
        return float("nan")
    smooth = [_blurred(flat) for flat in flats]
    common = _common(smooth)
    limit = np.float32(_least_difference(smooth, noise))
    marked = np.zeros(common.shape, dtype=bool)
    for flat, soft in zip(flats, smooth, strict=True):
        mark = soft - common
        over = np.sign(mark) * np.maximum(np.abs(mark) - limit, 0)
        marked |= np.abs(over) > PLAIN_MARK
        np.subtract(flat, over, out=flat)
    return float(marked.mean())


def _blurred(flat: FloatArray) -> FloatArray:
    soft = cv2.GaussianBlur(flat, (0, 0), MARK_BLUR_PX, borderType=cv2.BORDER_REFLECT)
    return np.asarray(soft, dtype=np.float32)


def _least_difference(smooth: Sequence[FloatArray], noise: float) -> float:
    """Return the difference that noise alone does not make, measured, and no less than white noise would have."""
    difference = smooth[0] - smooth[1]
    measured = float(np.median(np.abs(difference - np.median(difference)))) * 1.4826 / math.sqrt(2)
    white = noise / (2 * math.sqrt(math.pi) * MARK_BLUR_PX)
    return MARK_SIGMAS * max(white, min(measured, 2 * white))


def _common(smooth: Sequence[FloatArray]) -> FloatArray:
    """Return what the frames share: their median, of two the one nearer to a clear filter."""
    if len(smooth) == 2:
        first, second = smooth
        return np.where(np.abs(first - 1) <= np.abs(second - 1), first, second)
    return np.asarray(np.median(np.stack(smooth), axis=0), dtype=np.float32)
