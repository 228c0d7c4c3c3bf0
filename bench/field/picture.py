"""Pictures of what was found: a mask for further work, and a marked copy for the eye."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph
from ...generators.transfer import decode, encode
from ..draw import ring, spot_radius, words


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
    radius = spot_radius(spot.diameter_px)
    top, bottom = max(0, int(spot.y - radius)), min(mask.shape[0], int(spot.y + radius) + 2)
    left, right = max(0, int(spot.x - radius)), min(mask.shape[1], int(spot.x + radius) + 2)
    y, x = np.mgrid[top:bottom, left:right]
    mask[top:bottom, left:right][np.hypot(x - spot.x, y - spot.y) <= radius] = 255


def shown(pixels: NDArray[Any], encoding: str) -> NDArray[np.uint8]:
    """Return pixels as a screen shows them, 8-bit sRGB."""
    if encoding == "linear":
        return np.asarray(encode(decode(pixels, "linear"), bits=8, encoding="srgb"))
    return pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)


def mark_spots(path: Path, photograph: Photograph, spots: Sequence[Spot]) -> None:
    """Write a JPEG copy with a thin ring and a number about each find; dashed where it is not trusted."""
    from PIL import Image, ImageDraw

    picture = Image.fromarray(shown(photograph.pixels, photograph.encoding))
    draw = ImageDraw.Draw(picture)
    unit = max(1, round(max(picture.size) / 2400))
    for number, spot in enumerate(spots, start=1):
        radius = spot_radius(spot.diameter_px) + 5 * unit
        ring(draw, (spot.x, spot.y), radius, unit=unit, dashed=not spot.trusted)
        beside = 0.75 * radius + 2 * unit
        words(draw, (spot.x + beside, spot.y + beside), str(number), unit=unit)
    with path.open("xb") as file:
        picture.save(file, "JPEG", quality=90)
