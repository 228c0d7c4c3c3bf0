"""How a stored picture is turned for display (EXIF tag 274), and back to where it lay on the sensor.

Cameras store a picture as the sensor read it and note how it was held. Dust stays in its place on the sensor, so
places in differently turned pictures are compared as stored.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_SWAPPED = (5, 6, 7, 8)
_FLIPPED_X = (2, 3, 6, 7)
_FLIPPED_Y = (3, 4, 7, 8)


def turned(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Return stored pixels as displayed, for EXIF orientation 1…8 (tag 274; others count as 1)."""
    if orientation in _SWAPPED:
        pixels = pixels.swapaxes(0, 1)
    if orientation in _FLIPPED_X:
        pixels = pixels[:, ::-1]
    if orientation in _FLIPPED_Y:
        pixels = pixels[::-1]
    return pixels


def turned_back(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Return displayed pixels as stored; a quarter turn is undone by the other one, the rest undo themselves."""
    return turned(pixels, {6: 8, 8: 6}.get(orientation, orientation))


def stored_size(size: tuple[int, int], orientation: int) -> tuple[int, int]:
    """Return width and height as stored of those displayed; the same the other way round."""
    return (size[1], size[0]) if orientation in _SWAPPED else size


def to_stored(x: Any, y: Any, *, size: tuple[int, int], orientation: int) -> tuple[FloatArray, FloatArray]:
    """Return where displayed places (pixels) lie in the stored picture; `size` is width and height as displayed."""
    x, y = _flipped(x, y, size, orientation)
    return (y, x) if orientation in _SWAPPED else (x, y)


def to_displayed(x: Any, y: Any, *, size: tuple[int, int], orientation: int) -> tuple[FloatArray, FloatArray]:
    """Return where stored places (pixels) are displayed; `size` is width and height as displayed."""
    if orientation in _SWAPPED:
        x, y = y, x
    return _flipped(x, y, size, orientation)


def _flipped(x: Any, y: Any, size: tuple[int, int], orientation: int) -> tuple[FloatArray, FloatArray]:
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if orientation in _FLIPPED_X:
        x = size[0] - 1 - x
    if orientation in _FLIPPED_Y:
        y = size[1] - 1 - y
    return x, y
