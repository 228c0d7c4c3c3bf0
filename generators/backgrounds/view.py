"""How a surface that slopes away from the eye is drawn together towards the top of the frame."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .base import FloatArray

LEAST_SCALE = 0.2
"""A margin beyond the far edge is no further away than this."""


@dataclass(frozen=True, slots=True)
class View:
    """Scale of things on a surface, linear in the row: 0 < `far` < `near`.

    A row at scale s shows the surface 1/s times as fast in y, so that a thing is as high as it is wide; the
    place on the surface is ∫dy/s = height/(near − far) · ln(s/far).

    Attributes
    ----------
    far, near
        Scale at the upper and the lower edge.
    spread
        Columns are spaced by s^(−spread): 1 keeps shapes, less suits long crests that run across.
    flatness
        How many times a wave's height in the frame is less than its depth on the surface, where structures are
        made as flat as they look: a flow carries points so much less in y.
    """

    far: float
    near: float
    spread: float = 1.0
    flatness: float = 1.0

    def surface(self, shape: tuple[int, int]) -> tuple[int, int]:
        """Return the rows and columns of the surface that a frame of `shape` shows."""
        stretch = math.log(self.near / self.far) / (self.near - self.far)
        return math.ceil(shape[0] * stretch) + 1, math.ceil(shape[1] * self.far**-self.spread) + 1

    def place(self, x: FloatArray, y: FloatArray, shape: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
        """Return column and row on the surface, (len(y), len(x)) and (len(y), 1), of a frame's columns and rows."""
        rate = (self.near - self.far) / shape[0]
        scale = np.maximum(self.far + rate * y, LEAST_SCALE)[:, None]
        middle = (shape[1] - 1) / 2
        column = (x - middle) * scale**-self.spread + middle * self.far**-self.spread
        return column.astype(np.float32), (np.log(scale / self.far) / rate).astype(np.float32)
