"""The course that the libraries' own blob finders share: an even picture in, their blobs out, scored."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .contract import FloatArray, Photograph, Spots
from .flat import flat
from .optical_scales import fwhm_range_px, ladder, reduction
from .picture import Picture, shrink
from .scan import fitting, kept


@dataclass(frozen=True, slots=True)
class Blobs:
    """What a library answered, in pixels of the shrunken picture: arrays of one length."""

    y: FloatArray
    x: FloatArray
    fwhm: FloatArray
    score: FloatArray


Find = Callable[[FloatArray, tuple[float, ...]], Blobs]
"""From the even picture (h, w), shadows negative, and the widths looked for, ascending, in its pixels."""


LEAST_PX = 6.0
"""Width in the picture of the narrowest shadow. Of 4, 6 and 8 the middle one found as much as the best, or more, by
four methods of six, in the least time."""

NARROWEST_PX = 2.0
"""Narrower than two pixels nothing has a shape to be told by."""


def shelf(photograph: Photograph, find: Find, *, least_px: float = LEAST_PX) -> Spots:
    """Return a library's blobs in a photograph.

    A picture for each shrinking that some of the widths allow; in each the library sweeps its widths by itself. One
    picture for all would be evened out on a scale that is wrong for most of them. `least_px` is what the narrowest
    shadow of a picture keeps, where the picture can be shrunk at all.
    """
    widths = fitting(ladder(*fwhm_range_px(photograph)), photograph.shape)
    parts = []
    steps = {width: reduction(width, least_px=least_px) for width in widths}
    for step in sorted(set(steps.values())):
        here = tuple(width / step for width in widths if steps[width] == step and width / step >= NARROWEST_PX)
        if here:
            parts.append(_level(shrink(photograph, step), here, find))
    return kept(parts, photograph.shape)


def _level(picture: Picture, widths: tuple[float, ...], find: Find) -> Spots:
    found = find(flat(picture.log, math.sqrt(widths[0] * widths[-1])), widths)
    spots = Spots(
        x=picture.to_photograph(found.x),
        y=picture.to_photograph(found.y),
        diameter_px=np.maximum(found.fwhm * picture.step, 1),
        score=found.score,
    )
    return spots.take(at(picture.has_evidence, found.y, found.x))


def at(values: np.ndarray, y: FloatArray, x: FloatArray) -> np.ndarray:
    """Return a map's values at the pixels nearest to these places."""
    rows = np.clip(np.rint(y).astype(np.intp), 0, values.shape[0] - 1)
    columns = np.clip(np.rint(x).astype(np.intp), 0, values.shape[1] - 1)
    return np.asarray(values[rows, columns])


def at_scale(respond: Callable[[float], FloatArray], y: FloatArray, x: FloatArray, sigma: FloatArray) -> FloatArray:
    """Return the value of each blob in the response at its own sigma: libraries keep it to themselves."""
    values = np.zeros(len(y), dtype=np.float32)
    for scale in np.unique(sigma):
        mine = sigma == scale
        values[mine] = at(respond(float(scale)), y[mine], x[mine])
    return values
