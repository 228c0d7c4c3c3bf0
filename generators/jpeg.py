"""What a JPEG keeps of a picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

CHROMA = ("4:4:4", "4:2:2", "4:2:0")
"""Chroma at full size, at half the width, at half the width and height."""


def jpeg_bytes(pixels: NDArray[np.uint8], quality: int, *, chroma: str = "4:2:0") -> bytes:
    """Return 8-bit RGB pixels (height, width, 3) as a JPEG file.

    Raises
    ------
    ValueError
        If the chroma sampling is none of `CHROMA`.
    """
    from imagecodecs import jpeg8_encode  # only JPEG needs it; others copy the picture before they encode it

    if chroma not in CHROMA:
        raise ValueError(f"unknown chroma sampling {chroma!r}; known are {', '.join(CHROMA)}")
    whole = np.ascontiguousarray(pixels)
    return bytes(jpeg8_encode(whole, quality, subsampling=chroma.replace(":", "")))


def through_jpeg(pixels: NDArray[np.uint8], quality: int, *, chroma: str = "4:2:0") -> NDArray[np.uint8]:
    """Return what a JPEG of that quality and chroma sampling keeps of 8-bit RGB pixels."""
    from imagecodecs import jpeg8_decode

    data = jpeg_bytes(pixels, quality, chroma=chroma)
    del pixels  # of a large frame the caller keeps no copy either
    return np.asarray(jpeg8_decode(data), dtype=np.uint8)
