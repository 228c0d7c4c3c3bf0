"""One colour a photosite, and the two others guessed from its neighbours."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

METHODS = ("bilinear", "edge-aware")
"""Ways to fill in the missing colours that OpenCV has for sixteen bits."""

LEAST_SIDE_PX = 4
"""Smaller frames have photosites without a neighbour of each colour."""


def mosaic(light: FloatArray) -> FloatArray:
    """Return what the photosites see of (height, width, 3), float32 (height, width).

    The pattern of 2×2 photosites begins red, green in the first row and green, blue in the second.
    """
    plane = np.ascontiguousarray(light[..., 1])
    plane[0::2, 0::2] = light[0::2, 0::2, 0]
    plane[1::2, 1::2] = light[1::2, 1::2, 2]
    return plane


def demosaic(plane: NDArray[np.uint16], method: str) -> NDArray[np.uint16]:
    """Return the full picture, uint16 (height, width, 3), of a mosaic as `mosaic` lays it.

    The photosites stay where they are: pixel (0, 0) of the picture is centred on photosite (0, 0), and a
    measured colour is kept as it is (by ``"bilinear"``; ``"edge-aware"`` keeps it too, and takes green from
    the direction in which it changes least). The outermost row and column repeat their inner neighbour.

    Raises
    ------
    ValueError
        If the method is unknown or the frame is smaller than 4×4.
    """
    from .cv import cv2

    # OpenCV's old names count from the second row and column: its "BG" is this pattern, red first.
    codes: dict[str, Any] = {"bilinear": cv2.COLOR_BayerBG2RGB, "edge-aware": cv2.COLOR_BayerBG2RGB_EA}
    if method not in codes:
        raise ValueError(f"unknown method {method!r}; known are {', '.join(METHODS)}")
    if min(plane.shape) < LEAST_SIDE_PX:
        raise ValueError(f"a mosaic needs at least {LEAST_SIDE_PX} photosites each way, not {plane.shape}")
    return np.asarray(cv2.cvtColor(plane, codes[method]), dtype=np.uint16)
