"""What the network is shown of a photograph: contrasts in log light, folded, at a scale set by the optics."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...generators.cv import cv2
from ...generators.optics import exact_f_number
from ..contract import DARKEST, LUMINANCE_WEIGHTS, Photograph
from ..optical_scales import FILTER_DISTANCE_MM, known_f_number, pixel_pitch_um
from ..picture import SATURATED

FloatArray = NDArray[np.float32]

CELL = 4
"""Pixels of the network's picture along one cell of its answer."""

CHANNELS = 9
"""Four phases of log luminance, two colour ratios, brightness, the pupil's width, whether that is known."""

PUPIL_PX = (6.0, 12.0)
"""The picture is shrunk by the power of two that brings the pupil's disk into this range, but never enlarged."""

UNKNOWN_F_NUMBERS = (8.0, 16.0)
"""Where the f-number is unknown the picture is looked at as under both: they are shrunk differently."""

GAIN = 20.0
"""Contrasts go through asinh(GAIN·c): a depth of 5 % becomes 0.9, one of 50 % becomes 3.0."""

DARK_LEVEL = 0.011
"""Root of luminance under which a place is black."""

SURROUND = 16
"""Cells along the square whose mean a contrast is taken against, seven shadows or more."""


@dataclass(frozen=True, slots=True)
class View:
    """How a photograph is shown to the network.

    Attributes
    ----------
    step
        Pixels of the photograph along one pixel of the network's picture.
    pupil_px
        Width of the pupil's disk in that picture, or None where the f-number is unknown.
    """

    step: int
    pupil_px: float | None

    @property
    def cell_px(self) -> int:
        """Pixels of the photograph along one cell of the answer."""
        return CELL * self.step


def views(photograph: Photograph, *, widest_px: float = PUPIL_PX[1]) -> list[View]:
    """Return how to look at a photograph: once where the f-number is known, else once a step."""
    known, pitch = known_f_number(photograph), pixel_pitch_um(photograph)
    if known is not None:
        return [view_at(known, pitch, widest_px=widest_px)]
    steps = {view_at(number, pitch, widest_px=widest_px).step for number in UNKNOWN_F_NUMBERS}
    return [View(step=step, pupil_px=None) for step in sorted(steps)]


def view_at(f_number: float, pitch_um: float, *, widest_px: float = PUPIL_PX[1]) -> View:
    """Return the view under an f-number and a pitch in µm, the pupil's disk at most so wide in it.

    >>> view_at(16, 6.0)
    View(step=1, pupil_px=10.416666666666666)
    >>> view_at(8, 6.0).step, view_at(2.8, 6.0).step
    (2, 8)
    """
    width = 1000.0 * FILTER_DISTANCE_MM / exact_f_number(f_number) / pitch_um
    step = 2 ** min(3, max(0, math.ceil(math.log2(width / widest_px))))
    return View(step=step, pupil_px=width / step)


def fits(photograph: Photograph, view: View) -> bool:
    """Return whether a photograph has room for eight cells of a view both ways."""
    return min(photograph.shape) >= 8 * view.cell_px


def blank_cells(shown: FloatArray) -> NDArray[np.bool_]:
    """Return the cells (h, w) all of whose places are clipped to white or black, and so hold no evidence."""
    level = (shown[6] + 1) / 2  # root of luminance
    clipped = (level > np.sqrt(SATURATED)) | (level < DARK_LEVEL)
    return np.asarray(clipped.reshape(level.shape[0] // 2, 2, level.shape[1] // 2, 2).all(axis=(1, 3)))


def features(photograph: Photograph, view: View, *, strip: int = 256) -> FloatArray:
    """Return the network's input, (CHANNELS, h, w) at twice the cells' resolution.

    Rows and columns that fill no whole cell are left out. Linear light is made `strip` rows of the network's
    picture at a time, a multiple of CELL, so that a large photograph never lies in memory as floats.
    """
    rows, columns = (side // view.cell_px * CELL for side in photograph.shape)
    out = np.empty((CHANNELS, rows // 2, columns // 2), dtype=np.float32)
    half = np.empty(out.shape[1:], dtype=np.float32)
    for top in range(0, rows, strip):
        band = slice(top * view.step, min(top + strip, rows) * view.step)
        shot = Photograph(photograph.pixels[band, : columns * view.step], encoding=photograph.encoding)
        here = slice(top // 2, min(top + strip, rows) // 2)
        _fill(out[:, here], half[here], shrunk(shot.linear(), view.step))
    out[6] = 2 * np.sqrt(np.exp(half)) - 1
    around = surround(half)
    for phase in range(4):
        _contrast(out[phase], around)
    for ratio in (4, 5):
        _contrast(out[ratio], surround(out[ratio]))
    out[7] = 0.0 if view.pupil_px is None else math.log2(view.pupil_px / 8)
    out[8] = 0.0 if view.pupil_px is None else 1.0
    return out


def _fill(out: FloatArray, half: FloatArray, light: FloatArray) -> None:
    """Put the log luminance's phases and the colour ratios of light (h, w, 3) into `out`, its mean into `half`."""
    size = half.shape[::-1]
    log = np.log(np.maximum(light @ LUMINANCE_WEIGHTS, DARKEST))
    cv2.resize(log, size, dst=half, interpolation=cv2.INTER_AREA)
    for phase in range(4):
        out[phase] = log[phase // 2 :: 2, phase % 2 :: 2]
    colour = np.log(np.maximum(cv2.resize(light, size, interpolation=cv2.INTER_AREA), DARKEST))
    for channel, band in ((4, 0), (5, 2)):
        np.subtract(colour[..., band], colour[..., 1], out=out[channel])


def _contrast(plane: FloatArray, around: FloatArray) -> None:
    """Turn a plane in logarithms into asinh(GAIN·(plane − around)), in place; `around` is at the cells' resolution."""
    plane -= cv2.resize(around, plane.shape[::-1], interpolation=cv2.INTER_LINEAR)
    plane *= GAIN
    np.arcsinh(plane, out=plane)


def shrunk(light: FloatArray, step: int) -> FloatArray:
    """Return the mean of step × step pixels of light (h, w, 3)."""
    if step == 1:
        return light
    size = light.shape[1] // step, light.shape[0] // step
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def surround(half: FloatArray) -> FloatArray:
    """Return the mean over squares of SURROUND + 1 cells, at the cells' resolution; edges are reflected."""
    cells = cv2.resize(half, (half.shape[1] // 2, half.shape[0] // 2), interpolation=cv2.INTER_AREA)
    side = SURROUND + 1
    return np.asarray(cv2.boxFilter(cells, -1, (side, side), borderType=cv2.BORDER_REFLECT), dtype=np.float32)
