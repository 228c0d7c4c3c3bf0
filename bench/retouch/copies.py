"""Repaired copies of picture files: the same format, depth, colour profile and metadata, other pixels.

In PNG and TIFF every pixel that was not touched stays to the bit, transparency with it. A JPEG is coded anew with the
original's quantisation tables and colour sampling from what it stores, so that what was not touched hardly changes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...generators.orientation import turned_back
from ...generators.photo_io import PNG_SIGNATURE, TIFF_SIGNATURES, Picture
from ..errors import YardError
from .segments import with_png_chunks

JPEG_SIGNATURE = b"\xff\xd8"


@dataclass(frozen=True, slots=True)
class Change:
    """What is new in a picture, as its file stores it.

    Attributes
    ----------
    pixels
        (height, width, 3), not turned for display.
    touched
        Booleans (height, width).
    """

    pixels: NDArray[Any]
    touched: NDArray[np.bool_]

    @classmethod
    def of(cls, picture: Picture, pixels: NDArray[Any], touched: NDArray[np.bool_]) -> Change:
        """Return the change of a picture whose pixels are turned for display."""
        back = (turned_back(part, picture.orientation) for part in (pixels, touched))
        stored, where = (np.ascontiguousarray(part) for part in back)
        return cls(stored, where)

    def into(self, stored: NDArray[Any], *, row: int = 0, column: int = 0) -> None:
        """Put the touched pixels into a part of the picture as stored, (h, w) or (h, w, channels), in place.

        Grey takes the green band; transparency stays.
        """
        here = slice(row, row + stored.shape[0]), slice(column, column + stored.shape[1])
        touched, new = self.touched[here], self.pixels[here]
        if stored.ndim == 2:
            stored[touched] = new[touched][:, 1]
        elif stored.shape[2] < 3:
            stored[touched, 0] = new[touched][:, 1]
        else:
            stored[touched, :3] = new[touched]


def writer(path: Path) -> Callable[[Path, Change], bytes]:
    """Return what makes the bytes of a repaired copy of a file.

    Raises
    ------
    YardError
        If no copy of its format, or of this kind of it, can be made.
    """
    with path.open("rb") as file:
        head = file.read(32)
    if head[:2] == JPEG_SIGNATURE:
        from .jpeg import jpeg_copy  # each format pays for itself only

        return jpeg_copy
    if head[:8] == PNG_SIGNATURE:
        _check_png(path, head)
        return png_copy
    if head[:4] in TIFF_SIGNATURES:
        from .tiff import check_tiff, tiff_copy

        check_tiff(path)
        return tiff_copy
    raise YardError(
        f"{path} can't be written: repaired copies are made of JPEG, PNG and TIFF; export it as one of them"
    )


def png_copy(path: Path, change: Change) -> bytes:
    """Return a PNG of the same depth and channels, with the original's other chunks."""
    import imagecodecs

    original = path.read_bytes()
    stored = np.array(imagecodecs.png_decode(original))
    change.into(stored)
    return with_png_chunks(bytes(imagecodecs.png_encode(stored)), original)


def _check_png(path: Path, head: bytes) -> None:
    bits, colour = head[24:26]  # of the header chunk (PNG, 11.2.2)
    if colour == 3:
        raise YardError(f"{path} has a palette, which can't hold repaired colours; save it as RGB first")
    if bits < 8:
        raise YardError(f"{path} has fewer than 8 bits a channel; save it as 8 bits first")
