"""A sheet of crops: each place a row, each picture a column."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..draw import DARK, LIGHT, lettering

TILE_PX, GAP_PX, HEAD_PX = 104, 6, 40

MOST_ROWS, MOST_COLUMNS = 30, 12
"""Larger sheets are no help to the eye."""

BRIGHT, PALE = (236, 236, 236), (150, 150, 150)

Tile = NDArray[np.uint8]


def crop(pixels: NDArray[Any], x: float, y: float, side_px: int) -> Tile:
    """Return a square about a place, `TILE_PX` wide, in its mean colour and with its contrast stretched.

    The stretch takes luma from its 2nd to its 98th percentile over most of the range, which makes a shadow of a
    few percent plain. What lies outside the picture is dark grey.
    """
    from PIL import Image

    half = side_px // 2
    left, top = round(x) - half, round(y) - half
    part = pixels[max(0, top) : top + side_px, max(0, left) : left + side_px].astype(np.float32)
    tile = np.full((side_px, side_px, 3), 40, dtype=np.uint8)
    at = (max(0, -top), max(0, -left))
    tile[at[0] : at[0] + part.shape[0], at[1] : at[1] + part.shape[1]] = _stretched(part)
    return np.asarray(Image.fromarray(tile).resize((TILE_PX, TILE_PX), Image.Resampling.BICUBIC))


def _stretched(part: NDArray[np.float32]) -> Tile:
    luma = part @ np.array([0.299, 0.587, 0.114], dtype=np.float32)  # ITU-R BT.601
    low, middle, high = np.percentile(luma, (2, 50, 98))
    tint = part.mean(axis=(0, 1)) / max(float(luma.mean()), 1.0)
    grey = 128 + (luma - middle) * (200 / max(float(high - low), 1.0))
    return np.asarray(np.clip(grey[..., None] * (0.5 + 0.5 * tint), 0, 255).astype(np.uint8))


def write_sheet(
    path: Path, tiles: Sequence[Sequence[Tile]], *, names: Sequence[str], members: Sequence[Sequence[int]]
) -> None:
    """Write a JPEG of tiles [place][picture]; a light frame tells in which pictures the place was found."""
    from PIL import Image, ImageDraw

    rows, columns = len(tiles), len(names)
    pitch = TILE_PX + GAP_PX
    sheet = Image.new("RGB", (HEAD_PX + columns * pitch, HEAD_PX + rows * pitch), DARK)
    draw = ImageDraw.Draw(sheet)
    font = lettering(12)
    for column, name in enumerate(names):
        text = name if len(name) <= 16 else name[:7] + "…" + name[-8:]
        draw.text((HEAD_PX + column * pitch, HEAD_PX - 18), text, font=font, fill=BRIGHT)
    for row, line in enumerate(tiles):
        top = HEAD_PX + row * pitch
        draw.text((10, top + TILE_PX // 2 - 7), str(row + 1), font=font, fill=BRIGHT)
        for column, tile in enumerate(line):
            left = HEAD_PX + column * pitch
            sheet.paste(Image.fromarray(tile), (left, top))
            found = column in members[row]
            box = (left - 2, top - 2, left + TILE_PX + 1, top + TILE_PX + 1)
            draw.rectangle(box, outline=LIGHT if found else PALE, width=2 if found else 1)
    with path.open("xb") as file:
        sheet.save(file, "JPEG", quality=90)
