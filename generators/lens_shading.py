"""The fall of light towards the corners of the frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]


def lens_shading(
    size: tuple[int, int], falloff: float, *, rows: tuple[int, int], columns: tuple[int, int]
) -> FloatArray:
    """Return the relative light of a part of the frame, float32 (rows, columns, 1), 1.0 on the axis.

    The law of the fourth power of the cosine, for a pupil of fixed size far from a flat sensor (any optics
    textbook): cos⁴(arctan u) = 1/(1 + u²)². The field angle is not known here; u grows in proportion to the
    distance from the middle and reaches, in the corner pixel, the value that leaves 1 − `falloff`.

    Parameters
    ----------
    size
        Height and width of the whole frame in pixels.
    falloff
        Share of the light lost in the corner, 0 up to but not including 1.
    rows, columns
        First and one past the last of the part.
    """
    height, width = size
    y = np.arange(*rows) - (height - 1) / 2
    x = np.arange(*columns) - (width - 1) / 2
    corner = ((height - 1) ** 2 + (width - 1) ** 2) / 4
    steepness = (1.0 - falloff) ** -0.5 - 1.0
    reach = steepness / corner if corner else 0.0
    fall = 1.0 / (1.0 + reach * (y[:, None] ** 2 + x[None, :] ** 2)) ** 2
    return np.asarray(fall[..., None], dtype=np.float32)
