"""Squares cut out of pictures, as they are and with their contrast raised."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

OUTSIDE = 40
"""Grey of what lies outside the picture."""

Tile = NDArray[np.uint8]

Code = TypeVar("Code", np.uint8, np.uint16)


def square(pixels: NDArray[Code], x: float, y: float, side_px: int) -> NDArray[Code]:
    """Return the (side, side, 3) square of 8- or 16-bit codes about a place; outside the picture it is dark grey."""
    tile = np.full((side_px, side_px, 3), OUTSIDE * (np.iinfo(pixels.dtype).max // 255), dtype=pixels.dtype)
    part, top, left = _inside(pixels, x, y, side_px)
    tile[top : top + part.shape[0], left : left + part.shape[1]] = part
    return tile


def raised(pixels: NDArray[np.uint8], x: float, y: float, side_px: int) -> Tile:
    """Return the same square in its mean colour, its contrast stretched so that a shadow of a few percent is plain."""
    tile = np.full((side_px, side_px, 3), OUTSIDE, dtype=np.uint8)
    part, top, left = _inside(pixels, x, y, side_px)
    if part.size:
        tile[top : top + part.shape[0], left : left + part.shape[1]] = stretched(part.astype(np.float32))
    return tile


def stretched(part: NDArray[np.float32]) -> Tile:
    """Take luma from its 2nd to its 98th percentile over most of the range."""
    luma = part @ np.array([0.299, 0.587, 0.114], dtype=np.float32)  # ITU-R BT.601
    low, middle, high = np.percentile(luma, (2, 50, 98))
    tint = part.mean(axis=(0, 1)) / max(float(luma.mean()), 1.0)
    grey = 128 + (luma - middle) * (200 / max(float(high - low), 1.0))
    return np.asarray(np.clip(grey[..., None] * (0.5 + 0.5 * tint), 0, 255).astype(np.uint8))


def resized(tile: Tile, side_px: int) -> Tile:
    """Return a square tile at another size."""
    from PIL import Image

    return np.asarray(Image.fromarray(tile).resize((side_px, side_px), Image.Resampling.BICUBIC))


def _inside(pixels: NDArray[Any], x: float, y: float, side_px: int) -> tuple[NDArray[Any], int, int]:
    """Return the part that lies inside the picture and where it goes in the square."""
    left, top = round(x) - side_px // 2, round(y) - side_px // 2
    part = pixels[max(0, top) : max(0, top + side_px), max(0, left) : max(0, left + side_px)]
    return part, max(0, -top), max(0, -left)
