"""Places in a flattened test frame where a shadow may lie."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...generators.cv import cv2
from ...generators.optics import Optics
from ..contract import DARKEST, FloatArray, Spots
from ..optical_scales import reduction
from ..peaks import joined, most_candidates, without_doubles
from ..picture import Picture
from ..profiles import Profile
from ..refit import refitted
from ..scan import candidates
from ..whitening import whitened_snr

GRAINS_UM = (8.0, 12.0, 18.0, 26.0, 38.0, 55.0, 80.0, 120.0, 180.0)
"""Diameters whose shadows stand for all; on a plain screen small grains show that no photograph tells."""

FIRST_FLOOR = 3.5
"""Response from which on a place gets a second look."""

LEAST_PX = 6.0
"""Shadows are left so many pixels wide where the picture is shrunk."""


def shadow_candidates(flat: FloatArray, optics: Optics, *, floor: float) -> Spots:
    """Return the places whose response to some grain's shadow exceeds `floor` noise deviations, the strongest first.

    Parameters
    ----------
    flat
        Light over smooth light, (height, width).
    optics
        Aperture, pixel, and the filter distance as far as it is known.
    """
    by_step: dict[int, list[Profile]] = {}
    for diameter in GRAINS_UM:
        shadow = Profile(diameter, optics)
        if 3 * shadow.fwhm_px <= min(flat.shape):
            by_step.setdefault(reduction(shadow.fwhm_px, least_px=LEAST_PX), []).append(shadow)
    parts = [_level(flat, step, shadows) for step, shadows in sorted(by_step.items())]
    found = without_doubles(joined(parts))
    return found.take(found.score > floor).strongest(most_candidates((flat.shape[0], flat.shape[1])))


def _level(flat: FloatArray, step: int, shadows: Sequence[Profile]) -> Spots:
    picture = _shrunk(flat, step)
    templates = [shadow.log(step) for shadow in shadows]
    score, which = whitened_snr(picture.log, templates)
    widths = np.array([shadow.fwhm_px for shadow in shadows], dtype=np.float32)
    proposed = candidates(picture, score, widths[which], floor=FIRST_FLOOR)
    y, x = picture.from_photograph(proposed.y), picture.from_photograph(proposed.x)
    fit = refitted(picture.log, (y, x), templates=templates)
    places = picture.to_photograph(fit.x), picture.to_photograph(fit.y)
    return Spots(*places, widths[fit.which], fit.ratio).take(fit.amplitude > 0)


def _shrunk(flat: FloatArray, step: int) -> Picture:
    """Return the logarithm of step × step means; the level is 1, so nothing counts as clipped below e^0.5."""
    rows, columns = (side // step for side in flat.shape)
    part = flat[: rows * step, : columns * step]
    means = part if step == 1 else cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA)
    # A picture's evidence ends at saturation, which a flattened one has left behind: half the level stands for it.
    return Picture(log=np.log(np.maximum(0.5 * means, DARKEST)).astype(np.float32), step=step)
