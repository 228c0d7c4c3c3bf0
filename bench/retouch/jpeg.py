"""A repaired copy of a JPEG: coded anew so that the coefficients of what was not touched come out as they were.

Decoded to red, green and blue and back, a picture loses colour: decoders spread each stored colour over its neighbours,
and coders average blocks. So the picture stays in the stored brightness and colour, and the spreading is undone.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...generators.cv import cv2
from .copies import Change
from .segments import with_jpeg_headers

FULL = (1, 1)
BLOCKS = {0: FULL, 1: (1, 2), 2: (2, 2)}
"""Rows and columns under one stored colour, by Pillow's number of the sampling: 4:4:4, 4:2:2, 4:2:0."""

ROUNDS = 4
"""Times that the spreading is taken off; more of them changed nothing (of frames at quality 92 with 4:2:0, one pixel in
three thousand then differs by ΔE00 > 1, where coding from RGB changed one in sixty)."""

_SPREAD = np.array([1, 6, 1], dtype=np.float32) / 8
"""What a decoder's triangle filter and a coder's mean over two make of a stored colour and its neighbours."""


def jpeg_copy(path: Path, change: Change) -> bytes:
    """Return a JPEG with the original's tables, sampling and headers."""
    from PIL import Image
    from PIL.JpegImagePlugin import JpegImageFile, get_sampling

    original = path.read_bytes()
    options: dict[str, Any] = {}
    with JpegImageFile(io.BytesIO(original)) as old:
        sampling, mode = get_sampling(old), old.mode
        options |= {"qtables": old.quantization, "progressive": "progressive" in old.info}
        # Files whose three components are called R, G and B hold those and no luminance (common practice).
        as_rgb = [layer[0] for layer in old.layer] == [82, 71, 66] or old.info.get("adobe_transform") == 0
        if sampling in BLOCKS and mode == "RGB" and not as_rgb:
            old.draft("YCbCr", None)
        stored = np.asarray(old)
        kept = old.mode == "YCbCr"
    if mode == "L":
        new = Image.fromarray(np.where(change.touched, change.pixels[..., 1], stored))
    elif kept:
        new = Image.merge("YCbCr", [Image.fromarray(plane) for plane in _planes(stored, change, BLOCKS[sampling])])
        options["subsampling"] = sampling
    else:
        options |= {"keep_rgb": True} if as_rgb else {}
        new = Image.fromarray(change.pixels)
    buffer = io.BytesIO()
    new.save(buffer, "JPEG", **options)
    return with_jpeg_headers(buffer.getvalue(), original)


def _planes(stored: NDArray[np.uint8], change: Change, block: tuple[int, int]) -> list[NDArray[np.uint8]]:
    """Return brightness and the two colours, as large as the picture, with the touched pixels put in."""
    from PIL import Image

    rows, columns = np.divmod(np.flatnonzero(change.touched), change.touched.shape[1])
    new = np.zeros((0, 3), np.uint8)
    if len(rows):
        new = np.asarray(Image.fromarray(change.pixels[rows, columns][None]).convert("YCbCr"))[0]
    planes = []
    split: Sequence[NDArray[Any]] = cv2.split(stored)  # by numpy it takes thrice as long
    for band, plane in enumerate(split):
        colours = None if band == 0 or block == FULL else _unspread(plane, block)
        plane[rows, columns] = new[:, band]
        planes.append(plane if colours is None else _coarse(plane, colours, (rows, columns), block))
    return planes


def _unspread(plane: NDArray[np.uint8], block: tuple[int, int]) -> NDArray[np.float32]:
    """Return the stored colours, (h / rows, w / columns), of a decoded plane."""
    mean = _means(plane, block)
    across, down = _SPREAD, _SPREAD if block[0] == 2 else np.ones(1, np.float32)
    found = mean.copy()
    for _ in range(ROUNDS):
        spread = cv2.sepFilter2D(found, -1, across, down, borderType=cv2.BORDER_REPLICATE)
        found += mean
        found -= spread
    return found


def _means(plane: NDArray[np.uint8], block: tuple[int, int]) -> NDArray[np.float32]:
    """Return the means over blocks; a block that the edge cuts repeats its last row or column."""
    down, across = (-side % step for side, step in zip(plane.shape, block, strict=True))
    padded = cv2.copyMakeBorder(plane, 0, down, 0, across, cv2.BORDER_REPLICATE).astype(np.float32)
    size = (padded.shape[1] // block[1], padded.shape[0] // block[0])
    return np.asarray(cv2.resize(padded, size, interpolation=cv2.INTER_AREA))


def _coarse(
    plane: NDArray[np.uint8],
    stored: NDArray[np.float32],
    touched: tuple[NDArray[np.intp], NDArray[np.intp]],
    block: tuple[int, int],
) -> NDArray[np.uint8]:
    """Return a plane whose means over blocks are the stored colours, or the plane's own where it was touched."""
    colours = np.clip(np.rint(stored), 0, 255).astype(np.uint8)
    rows, columns = np.unique(np.stack([line // step for line, step in zip(touched, block, strict=True)]), axis=1)
    last = [side - 1 for side in plane.shape]
    total = np.zeros(len(rows))
    for row in range(block[0]):
        for column in range(block[1]):
            at = np.minimum(rows * block[0] + row, last[0]), np.minimum(columns * block[1] + column, last[1])
            total += plane[at]
    colours[rows, columns] = np.rint(total / (block[0] * block[1]))
    size = (colours.shape[1] * block[1], colours.shape[0] * block[0])
    whole = cv2.resize(colours, size, interpolation=cv2.INTER_NEAREST)
    return np.ascontiguousarray(whole[: plane.shape[0], : plane.shape[1]])
