"""A photograph's log luminance, shrunk, with the places marked where it says nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..generators.cv import cv2
from .contract import DARKEST, FloatArray, Photograph

SATURATED = 0.99
"""Luminance from which a place counts as clipped; the mean of a few clipped pixels still reaches it."""

_STRIP_ROWS = 256  # a multiple of every shrinking factor; bounds the memory of linear light to a few MB


@dataclass(frozen=True, slots=True)
class Picture:
    """Log luminance at a fraction of the photograph's size.

    Attributes
    ----------
    log
        Natural logarithm of the mean luminance of step × step pixels, (h, w), floored like the contract's.
    step
        Pixels of the photograph along one pixel of the picture.
    """

    log: FloatArray
    step: int

    @property
    def has_evidence(self) -> NDArray[np.bool_]:
        """True where the picture is neither black nor saturated, (h, w)."""
        seen = self.log > np.float32(np.log(DARKEST))
        seen &= self.log < np.float32(np.log(SATURATED))
        return seen

    def to_photograph(self, position: FloatArray) -> FloatArray:
        """Return positions (x or y) of the picture in pixels of the photograph.

        Pixel 0 of the picture covers pixels 0…step−1, whose middle is (step − 1)/2.
        """
        return np.asarray(position * self.step + (self.step - 1) / 2, dtype=np.float32)

    def from_photograph(self, position: FloatArray) -> FloatArray:
        """Return positions of the photograph in pixels of the picture: the inverse of `to_photograph`."""
        return np.asarray((position - (self.step - 1) / 2) / self.step, dtype=np.float32)


def shrink(photograph: Photograph, step: int) -> Picture:
    """Return the picture of step × step means of linear light; an incomplete last row or column is left out.

    Raises
    ------
    ValueError
        If the step does not divide 256 or is larger than the frame.
    """
    rows, columns = (side // step for side in photograph.shape)
    if step < 1 or _STRIP_ROWS % step or min(rows, columns) == 0:
        raise ValueError(f"cannot shrink {photograph.shape} pixels by {step}")
    log = np.empty((rows, columns), dtype=np.float32)
    for top in range(0, rows * step, _STRIP_ROWS):
        bottom = min(top + _STRIP_ROWS, rows * step)
        strip = Photograph(photograph.pixels[top:bottom, : columns * step], encoding=photograph.encoding)
        target = log[top // step : bottom // step]
        cv2.resize(strip.luminance(), target.shape[::-1], dst=target, interpolation=cv2.INTER_AREA)
    np.log(np.maximum(log, DARKEST, out=log), out=log)
    return Picture(log=log, step=step)
