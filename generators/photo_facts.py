"""Small facts about a picture file, asked for every frame and so remembered until the file changes."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .photo_cache import SHARED, Stamp, stamp
from .photo_io import PictureError, read_exif

WHITE = 0.5
"""Share of the largest code from which a mask is white."""


def known_f_number(path: Path) -> float | None:
    """Return the f-number that a picture's EXIF gives, or None: not given, or the file can't be read."""
    return _f_number(stamp(path))


@lru_cache(maxsize=4096)
def _f_number(key: Stamp) -> float | None:
    try:
        return read_exif(key[0]).f_number
    except PictureError:  # whoever reads the pixels gets the error
        return None


def read_mask(path: Path) -> NDArray[np.bool_]:
    """Return where a mask is white, (height, width).

    Raises
    ------
    PictureError
        If it can't be read.
    """
    pixels = SHARED.read(path).pixels
    return np.asarray(pixels[..., 0] >= WHITE * np.iinfo(pixels.dtype).max)
