"""The course that the classical methods share: widths from optics, a response to each, peaks."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from .contract import FloatArray, Photograph, Spots
from .noise import in_noise_units
from .optical_scales import fwhm_range_px, ladder, reduction
from .peaks import joined, local_maxima, most_candidates, refine, without_doubles
from .picture import Picture, shrink

Respond = Callable[[FloatArray, float], FloatArray]
"""From log luminance (h, w) and a shadow's full width at half depth in its pixels to a map (h, w), high
where a dark spot of that width is centred."""

FLOOR = 2.0
"""Responses under twice the local noise are not candidates: most of the peaks of pure noise lie there."""

SHADOWS_ACROSS = 3
"""A frame narrower than this many shadows has no surroundings to compare a shadow with."""


def scan(photograph: Photograph, respond: Respond) -> Spots:
    """Return the local maxima, over place and width, of a response in units of its local noise."""
    low, high = fwhm_range_px(photograph)
    widths = fitting(ladder(low, high), photograph.shape)
    parts = []
    for step in sorted({reduction(width) for width in widths}):
        picture = shrink(photograph, step)
        here = [width for width in widths if reduction(width) == step]
        maps = ((in_noise_units(respond(picture.log, width / step)), width) for width in here)
        parts.append(candidates(picture, *strongest(maps), floor=FLOOR))
    return kept(parts, photograph.shape)


def fitting(widths: Iterable[float], shape: tuple[int, int]) -> list[float]:
    """Return the shadow widths in pixels that a frame of this height and width has room for."""
    return [width for width in widths if width * SHADOWS_ACROSS <= min(shape)]


def strongest(maps: Iterable[tuple[FloatArray, float]]) -> tuple[FloatArray, FloatArray]:
    """Return, place by place, the highest of several maps and the width that goes with it.

    Raises
    ------
    ValueError
        If there is no map.
    """
    best: FloatArray | None = None
    for response, width in maps:
        if best is None:
            best, widths = response, np.full(response.shape, width, dtype=np.float32)
        else:
            widths[response > best] = width
            np.maximum(best, response, out=best)
    if best is None:
        raise ValueError("the strongest of no maps is undefined")
    return best, widths


def candidates(picture: Picture, score: FloatArray, widths: FloatArray, *, floor: float) -> Spots:
    """Return the local maxima of the picture's score map where there is evidence, in photograph pixels."""
    seen = picture.has_evidence
    shown = score if seen.all() else np.where(seen, score, np.float32(-np.inf))
    radius = max(1, round(float(widths.min()) / picture.step / 2))
    rows, columns = local_maxima(shown, radius=radius, floor=floor)
    y, x, height = refine(score, rows, columns)
    return Spots(
        x=picture.to_photograph(x),
        y=picture.to_photograph(y),
        diameter_px=widths[rows, columns],
        score=height,
    )


def kept(parts: list[Spots], shape: tuple[int, int]) -> Spots:
    """Return the candidates of all levels without doubles, capped to what a frame of this shape may have."""
    return without_doubles(joined(parts)).strongest(most_candidates(shape))
