"""Small masks drawn at sub-pixel places: birds, and the pupil as a defocused point of light shows it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .cv import cv2
from .pupil import polygon_corners

FINEST, FINE_SIDE = 16, 2048
"""Samples to a pixel in each direction while a mask is drawn: so many, or what keeps its side below the second.

The outline itself is drawn a sample thick, which adds half a sample to every edge.
"""

BLUR_SAMPLES = 4.0
"""A mask blurred wider than this is drawn on a coarser grid that leaves so many samples to the sigma."""

ROUND_CORNERS = 96
"""Corners of the polygon that stands for a circle: its radius is within 0.06 % of the circle's."""


@dataclass(frozen=True, slots=True)
class Mask:
    """Coverage 0…1 of the pixels from `top`, `left` on; may reach beyond the frame."""

    top: int
    left: int
    cover: NDArray[np.float32]

    def within(self, height: int, width: int) -> tuple[tuple[slice, slice], NDArray[np.float32]]:
        """Return the part of a frame that the mask lies on and the mask's own part there."""
        rows = slice(max(self.top, 0), min(max(self.top + self.cover.shape[0], 0), height))
        columns = slice(max(self.left, 0), min(max(self.left + self.cover.shape[1], 0), width))
        own = self.cover[
            rows.start - self.top : rows.stop - self.top, columns.start - self.left : columns.stop - self.left
        ]
        return (rows, columns), own


def polygon_mask(corners: NDArray[np.float64], x: float, y: float, *, blur_px: float = 0.0) -> Mask:
    """Return the mask of a polygon whose area has its centre at (x, y).

    Parameters
    ----------
    corners
        (n, 2), x and y in pixels about any origin.
    x, y
        (0, 0) is the centre of the first pixel.
    blur_px
        Standard deviation of a Gaussian blur of the mask, pixels.
    """
    step = 1 << max(0, math.floor(math.log2(blur_px / BLUR_SAMPLES))) if blur_px > 0 else 1
    if step > 1:
        small = polygon_mask(corners / step, (x + 0.5) / step - 0.5, (y + 0.5) / step - 0.5, blur_px=blur_px / step)
        side = step * len(small.cover)
        large = cv2.resize(small.cover, (side, side), interpolation=cv2.INTER_CUBIC)
        return Mask(step * small.top, step * small.left, np.clip(large, 0, 1).astype(np.float32))
    outline = corners - centroid(corners)
    reach = math.ceil(float(np.abs(outline).max()) + 3.5 * blur_px) + 2
    top, left = math.floor(y) - reach, math.floor(x) - reach
    side = 2 * reach + 2
    fine = max(1, min(FINEST, FINE_SIDE // side))
    # The centre of the first pixel lies (fine − 1)/2 fine samples from the centre of its first sample.
    drawn = (outline + np.array((x - left, y - top))) * fine + (fine - 1) / 2
    canvas = np.zeros((side * fine, side * fine), dtype=np.uint8)
    cv2.fillPoly(canvas, [np.rint(drawn * 256).astype(np.int32)], 255, lineType=cv2.LINE_8, shift=8)
    drawn_cover = cv2.resize(canvas, (side, side), interpolation=cv2.INTER_AREA)
    cover = np.asarray(drawn_cover, dtype=np.float32)
    cover *= np.float32(1 / 255)
    if blur_px > 0:
        blurred = cv2.GaussianBlur(cover, (0, 0), blur_px, borderType=cv2.BORDER_CONSTANT)
        cover = np.asarray(blurred, dtype=np.float32)
    return Mask(top, left, cover)


def centroid(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the centre (2,) of a polygon's area, by Green's theorem."""
    following = np.roll(corners, -1, axis=0)
    cross = corners[:, 0] * following[:, 1] - following[:, 0] * corners[:, 1]
    return np.asarray(((corners + following) * cross[:, None]).sum(axis=0) / (3 * cross.sum()))


def pupil_outline(diameter_px: float, blades: int, angle_deg: float) -> NDArray[np.float64]:
    """Return the corners of the pupil, of the same area as a circle of that diameter.

    Upright, as a point nearer than the focus shows it; a shadow of dust shows it turned by half a turn.
    """
    return polygon_corners(blades or ROUND_CORNERS, math.pi * diameter_px**2 / 4, angle_deg)


def bird_outline(span_px: float, lift: float, angle_deg: float) -> NDArray[np.float64]:
    """Return the outline of a bird from afar: a spindle of a body between two bent wings.

    Parameters
    ----------
    span_px
        From tip to tip.
    lift
        Height of the wings over half the span, −0.5 (down) to 0.7 (up).
    angle_deg
        Bank, clockwise as seen.
    """
    across = np.linspace(-1.0, 1.0, 41)
    arm = np.abs(across)
    line = -lift * (1.5 * arm - 0.5 * arm**2)
    thick = 0.15 * np.exp(-((arm / 0.13) ** 2)) + 0.075 * np.sqrt(1 - arm)
    upper, lower = np.column_stack((across, line - 0.6 * thick)), np.column_stack((across, line + 0.4 * thick))
    outline = np.concatenate((upper, lower[::-1])) * (span_px / 2)
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.asarray(outline @ np.array(((c, s), (-s, c))))
