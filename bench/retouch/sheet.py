"""Before and after, spot beside spot, enlarged: what a person looks at first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..crops import square
from ..draw import lettering
from ..field.picture import shown
from .record import Repaired

Pixels = NDArray[np.uint8]

MOST = 24
"""Spots on a sheet, those for the hand first."""

SIDE, ZOOM, GAP, LABEL = 72, 2, 4, 16
COLUMNS = 4


def sheet(
    before: NDArray[Any], after: NDArray[Any], repairs: Sequence[Repaired], *, encoding: str = "srgb"
) -> Pixels | None:
    """Return a picture with pairs of crops, twice enlarged, before on the left; None where there is no spot."""
    first = sorted(repairs, key=lambda one: (not one.by_hand, one.number))[:MOST]
    if not first:
        return None
    pairs = [_pair(before, after, one, encoding) for one in first]
    blank = np.full_like(pairs[0], 255)
    columns = min(COLUMNS, len(pairs))
    pairs += [blank] * (-len(pairs) % columns)
    rows = [np.concatenate(pairs[start : start + columns], axis=1) for start in range(0, len(pairs), columns)]
    return np.concatenate(rows)


def _pair(before: NDArray[Any], after: NDArray[Any], one: Repaired, encoding: str) -> Pixels:
    gap = np.full((SIDE * ZOOM, GAP, 3), 255, np.uint8)
    wide = np.full((SIDE * ZOOM, 3 * GAP, 3), 255, np.uint8)
    crops = [_crop(pixels, one, encoding) for pixels in (before, after)]
    row = np.concatenate([crops[0], gap, crops[1], wide], axis=1)
    return np.concatenate([_caption(one, row.shape[1]), row, np.full((GAP, row.shape[1], 3), 255, np.uint8)])


def _crop(pixels: NDArray[Any], one: Repaired, encoding: str) -> Pixels:
    part = shown(square(pixels, one.x, one.y, SIDE), encoding)
    return np.repeat(np.repeat(part, ZOOM, axis=0), ZOOM, axis=1)


def _caption(one: Repaired, width: int) -> Pixels:
    from PIL import Image, ImageDraw

    strip = Image.new("RGB", (width, LABEL), "white")
    words = f"{one.number}  {one.how}" + ("" if np.isnan(one.depth) else f", {100 * one.depth:.0f} % deep")
    ImageDraw.Draw(strip).text((2, 1), words, fill=(150, 60, 0) if one.by_hand else "black", font=lettering(11))
    return np.asarray(strip)
