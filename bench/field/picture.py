"""Pictures of what was found: a mask for further work, and a marked copy for the eye."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

MARGIN = 1.6
"""Radius of a mask's disk over half the width at half depth: a disk ⊛ disk shadow ends by then."""

DARK, LIGHT = (20, 20, 20), (255, 214, 102)


class Spot(Protocol):
    """What is drawn."""

    @property
    def x(self) -> float:
        """Centre to the right, in pixels."""

    @property
    def y(self) -> float:
        """Centre downwards, in pixels."""

    @property
    def diameter_px(self) -> float:
        """Full width at half depth."""

    @property
    def trusted(self) -> bool:
        """Whether the method is trusted there."""


def write_mask(path: Path, shape: tuple[int, int], spots: Sequence[Spot]) -> None:
    """Write a mask as 8-bit PNG of the picture's size: 255 on trusted finds, 0 elsewhere."""
    from PIL import Image

    mask = np.zeros(shape, dtype=np.uint8)
    for spot in spots:
        if spot.trusted:
            _fill(mask, spot)
    with path.open("xb") as file:
        Image.fromarray(mask).save(file, "PNG")


def _fill(mask: NDArray[np.uint8], spot: Spot) -> None:
    radius = MARGIN * spot.diameter_px / 2
    top, bottom = max(0, int(spot.y - radius)), min(mask.shape[0], int(spot.y + radius) + 2)
    left, right = max(0, int(spot.x - radius)), min(mask.shape[1], int(spot.x + radius) + 2)
    y, x = np.mgrid[top:bottom, left:right]
    mask[top:bottom, left:right][np.hypot(x - spot.x, y - spot.y) <= radius] = 255


def mark_spots(path: Path, pixels: NDArray[Any], spots: Sequence[Spot]) -> None:
    """Write a JPEG copy with a thin ring and a number about each find; dashed where it is not trusted."""
    from PIL import Image, ImageDraw, ImageFont

    shown = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    picture = Image.fromarray(shown)
    draw = ImageDraw.Draw(picture)
    unit = max(1, round(max(picture.size) / 2400))
    font = ImageFont.load_default(size=11 * unit + 3)
    for number, spot in enumerate(spots, start=1):
        _ring(draw, spot, unit)
        _number(draw, spot, text=str(number), font=font, unit=unit)
    with path.open("xb") as file:
        picture.save(file, "JPEG", quality=90)


def _ring(draw: Any, spot: Spot, unit: int) -> None:
    radius = spot.diameter_px / 2 * MARGIN + 5 * unit
    arcs = [(0, 360)] if spot.trusted else [(start, start + 26) for start in range(0, 360, 45)]
    for colour, width in ((DARK, unit + 2), (LIGHT, unit)):
        # The light line lies in the middle of the dark one, so that either shows on any ground.
        outer = radius + width / 2
        box = (spot.x - outer, spot.y - outer, spot.x + outer, spot.y + outer)
        for start, end in arcs:
            draw.arc(box, start, end, fill=colour, width=width)


def _number(draw: Any, spot: Spot, *, text: str, font: Any, unit: int) -> None:
    reach = (spot.diameter_px / 2 * MARGIN + 5 * unit) * 0.75 + 2 * unit
    place = (spot.x + reach, spot.y + reach)
    draw.text(place, text, font=font, fill=LIGHT, stroke_width=unit, stroke_fill=DARK)
