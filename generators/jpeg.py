"""What a JPEG keeps of a picture."""

from __future__ import annotations

import io

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
    from PIL import Image  # only JPEG needs it

    if chroma not in CHROMA:
        raise ValueError(f"unknown chroma sampling {chroma!r}; known are {', '.join(CHROMA)}")
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=quality, subsampling=chroma)
    return buffer.getvalue()


def through_jpeg(pixels: NDArray[np.uint8], quality: int, *, chroma: str = "4:2:0") -> NDArray[np.uint8]:
    """Return what a JPEG of that quality and chroma sampling keeps of 8-bit RGB pixels."""
    from .cv import cv2

    data = np.frombuffer(jpeg_bytes(pixels, quality, chroma=chroma), dtype=np.uint8)
    del pixels  # of a large frame the caller keeps no copy either
    # The same library decodes in Pillow and OpenCV; here it takes half the time and memory, for want of a copy.
    picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
    if picture is None:
        raise ValueError("OpenCV could not decode the JPEG that Pillow wrote")
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB, dst=picture), dtype=np.uint8)
