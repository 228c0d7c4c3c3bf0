"""Thin marks on pictures, a light line in the middle of a dark one so that they show on any ground."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

DARK, LIGHT = (20, 20, 20), (255, 214, 102)

MARGIN = 1.6
"""Radius about a spot over half its width at half depth: a disk ⊛ disk shadow ends by then."""

Lines = list[tuple[int, tuple[int, int, int]]]


def spot_radius(diameter_px: float) -> float:
    """Return the radius in pixels that holds a shadow of this full width at half depth."""
    return MARGIN * diameter_px / 2


def _lines(unit: int) -> Lines:
    return [(unit + 2, DARK), (unit, LIGHT)]


def ring(draw: Any, centre: tuple[float, float], radius: float, *, unit: int, dashed: bool = False) -> None:
    """Draw a ring; `unit` is the line's width in pixels. Dashed stands for what is doubtful or was missed."""
    arcs = [(start, start + 26) for start in range(0, 360, 45)] if dashed else [(0, 360)]
    for width, colour in _lines(unit):
        outer = radius + width / 2
        box = (centre[0] - outer, centre[1] - outer, centre[0] + outer, centre[1] + outer)
        for start, end in arcs:
            draw.arc(box, start, end, fill=colour, width=width)


def ticks(draw: Any, centre: tuple[float, float], radius: float, *, unit: int) -> None:
    """Draw four short strokes that point at a place from outside: a false alarm."""
    for width, colour in _lines(unit):
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            near, far = radius - (width - unit), radius + 6 * unit + (width - unit)
            ends = [(centre[0] + dx * reach, centre[1] + dy * reach) for reach in (near, far)]
            draw.line(ends, fill=colour, width=width)


@lru_cache(maxsize=8)
def lettering(size: int) -> Any:
    """Return a font of that size in pixels: DejaVu Sans, which matplotlib ships; Pillow's own lacks the µ."""
    from matplotlib import get_data_path
    from PIL import ImageFont

    return ImageFont.truetype(str(Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), size)


def words(draw: Any, place: tuple[float, float], text: str, *, unit: int) -> None:
    """Write a few words or a number."""
    draw.text(place, text, font=lettering(10 * unit + 4), fill=LIGHT, stroke_width=unit, stroke_fill=DARK)
