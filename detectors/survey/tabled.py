"""Shadows in luminance from a table of profiles: a fit asks for hundreds under one optics."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ...generators.optics import Optics
from ...generators.shadow import LUMINANCE, stamp
from ...generators.shadow_table import ShadowTable

Array = NDArray[np.float64]

TABLED_UM = (2.9, 155.0)
"""Diameters that a table holds: nearly all grains. A table to 400 µm would take minutes; larger ones are computed
one by one."""

_ANY_PUPIL_MM = 60.0
"""A shadow's shape does not depend on the exit pupil, which only moves it."""


def light_stamp(diameter_um: float, optics: Optics, *, offset_px: tuple[float, float]) -> Array:
    """Return T in luminance, (h, w), of a shadow `offset_px` off the middle pixel; right to 1e-3 where tabled."""
    if optics.blades == 0 and TABLED_UM[0] <= diameter_um <= TABLED_UM[1]:
        table = _table(replace(optics, exit_pupil_mm=_ANY_PUPIL_MM))
        light = table.cast(diameter_um, *offset_px).transmission
        return np.asarray(np.tensordot(LUMINANCE, light, axes=1))
    return np.asarray(np.tensordot(LUMINANCE, stamp(diameter_um, optics, offset_px=offset_px), axes=1))


@lru_cache(maxsize=4)
def _table(optics: Optics) -> ShadowTable:
    return ShadowTable(optics, smallest_um=TABLED_UM[0], largest_um=TABLED_UM[1])
