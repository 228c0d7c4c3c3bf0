"""A sheet of crops: each place a row, each picture a column."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from ..crops import Tile, raised, resized
from ..draw import DARK, LIGHT, lettering

TILE_PX, GAP_PX, HEAD_PX = 104, 6, 40

MOST_ROWS, MOST_COLUMNS = 30, 12
"""Larger sheets are no help to the eye."""

BRIGHT, PALE = (236, 236, 236), (150, 150, 150)


def crop(pixels: NDArray[Any], x: float, y: float, side_px: int) -> Tile:
    """Return a square about a place, `TILE_PX` wide, with its contrast raised."""
    return resized(raised(pixels, x, y, side_px), TILE_PX)


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
