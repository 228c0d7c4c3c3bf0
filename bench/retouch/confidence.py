"""How sure a repair is, and which ones a person should look at."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph, Spots
from ..masking import REACH, contrast_about
from ..repairs.contract import FILLED, LEFT, Mended, window_about
from ..visibility import Viewing, masking_elevation, shadow_threshold

SURE = 0.5
"""Confidence below which a repair is put on the list for the hand."""

TOO_DEEP = 0.75
"""Depth from which the middle of a shadow was filled and not divided."""

_ROOM = 4.0
"""Ground about a spot in which its texture is measured, in widths."""


def thresholds(photograph: Photograph, spots: Spots) -> NDArray[np.float64]:
    """Return the depth at which a shadow of each spot's width is just seen on its ground, (m,).

    `visibility.shadow_threshold` for `Viewing`'s print, raised by the texture about the spot, which counts the spot
    itself as texture: it is asked for repairs, so give the repaired picture.
    """
    viewing = Viewing()
    plain = shadow_threshold(
        spots.diameter_px,
        pixels_per_degree=viewing.pixels_per_degree,
        luminance_cd_m2=viewing.luminance_cd_m2,
    )
    return plain * masking_elevation(ground_contrast(photograph, spots), plain)


def ground_contrast(photograph: Photograph, spots: Spots) -> NDArray[np.float64]:
    """Return the contrast of the texture about each spot at its own scale, (m,), in units of depth."""
    found = np.zeros(len(spots))
    for index in range(len(spots)):
        x, y, width = (float(column[index]) for column in (spots.x, spots.y, spots.diameter_px))
        rows, columns = window_about(photograph.shape, (x, y), max(_ROOM, 2 * REACH) * width)
        part = Photograph(photograph.pixels[rows, columns], encoding=photograph.encoding)
        at = np.array([x - columns.start]), np.array([y - rows.start])
        found[index] = contrast_about(part.log_luminance(), *at, fwhm_px=np.array([width]))[0]
    return found


def confidences(mended: Sequence[Mended], limits: NDArray[np.float64]) -> list[float]:
    """Return for each repair the chance that what remains of the shadow is not seen; nan where nothing tells.

    The remaining depth is normal about 0 with the fit's standard deviation: P = erf(limit / (√2 · deviation)).
    """
    return [_chance(one.depth_error, float(limit)) for one, limit in zip(mended, limits, strict=True)]


def _chance(deviation: float, limit: float) -> float:
    if math.isnan(deviation):
        return math.nan
    return math.erf(limit / (math.sqrt(2) * deviation)) if deviation > 0 else 1.0


def reason(one: Mended, confidence: float, *, rough: bool) -> str:
    """Return why a person should look at a repair, or ""."""
    if one.how == LEFT:
        return one.note or "left as it is"
    if one.how == FILLED:
        return "new pixels on ground with a texture of its own" if rough else ""
    if one.depth > TOO_DEEP:
        return "hardly any light was left in the middle, which was filled"
    return "what remains of the shadow may show" if confidence < SURE else ""
