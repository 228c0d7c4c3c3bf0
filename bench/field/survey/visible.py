"""At which aperture a grain shows in photographs, by the visibility model of `bench/visibility.py`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ....generators.optics import Optics
from ....generators.shadow import Shadow, cast
from ...visibility import Viewing, visibility_level

FloatArray = NDArray[np.float64]

F_NUMBERS = (4.0, 5.6, 8.0, 11.0, 16.0, 22.0)
"""Full stops; exactly 2^(k/2), k = 4…9."""

PER_OCTAVE = 4
"""Sizes in a doubling at which the level is computed; between them its logarithm is interpolated."""


def visibility(
    diameters_um: Sequence[float] | FloatArray,
    optics: Optics,
    *,
    viewing: Viewing,
    f_numbers: Sequence[float] = F_NUMBERS,
) -> FloatArray:
    """Return the visibility level of grains at apertures, (grains, apertures); from 1 on a grain shows.

    Few sizes are computed, between which the logarithm of the level is interpolated over that of the diameter.
    """
    sizes = np.asarray(diameters_um, dtype=np.float64)
    table = _tabled(sizes)
    found = np.zeros((len(sizes), len(f_numbers)))
    for column, number in enumerate(f_numbers if len(sizes) else ()):
        there = replace(optics, f_number=number)
        levels = [_level(cast(float(size), there, x=0.0, y=0.0), viewing) for size in table]
        found[:, column] = np.exp(np.interp(np.log(sizes), np.log(table), np.log(levels)))
    return found


def _tabled(sizes: FloatArray) -> FloatArray:
    """Return the sizes to compute: all, if they are few, else a ladder from the least to the largest."""
    distinct = np.unique(sizes)
    if len(distinct) == 0:
        return distinct
    steps = 2 + int(PER_OCTAVE * np.log2(distinct[-1] / distinct[0]))
    return distinct if len(distinct) <= steps else np.geomspace(distinct[0], distinct[-1], steps)


def _level(shadow: Shadow, viewing: Viewing) -> float:
    level = visibility_level(
        shadow.peak_depth,
        shadow.fwhm_px,
        pixels_per_degree=viewing.pixels_per_degree,
        luminance_cd_m2=viewing.luminance_cd_m2,
    )
    return float(level)


def shows_from(levels: FloatArray, f_numbers: Sequence[float] = F_NUMBERS) -> list[float | None]:
    """Return for each grain the widest aperture from which on it shows at all smaller ones, None if at none."""
    found: list[float | None] = []
    for row in levels >= 1:
        hidden = np.flatnonzero(~row)
        first = 0 if len(hidden) == 0 else int(hidden[-1]) + 1
        found.append(f_numbers[first] if first < len(f_numbers) else None)
    return found
