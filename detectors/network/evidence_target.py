"""The truth of a frame as the evidence network learns it: the size of the grain whose centre lies in each place."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..consensus_frame import SIZES_UM
from .features import CELL, View
from .target import any_in_cell

FloatArray = NDArray[np.float32]

WIDEST_PX = 8.4
"""The pupil's disk is at most so wide in the picture that evidence is read from, and mostly at least half of it: at
half the size a picture holds .94 to .97 of a small grain's d′ in texture, for a quarter of the work."""

ACROSS = 2
"""Places along a side of a cell: a place is two pixels of the network's picture, half a shadow or less."""

PLACE = CELL // ACROSS
"""Pixels of the network's picture along a place."""

PHASES = ACROSS * ACROSS

SIZES = len(SIZES_UM)

STEP = (SIZES_UM[-1] / SIZES_UM[0]) ** (1 / (SIZES - 1))
"""Mean ratio of neighbouring sizes."""

EDGES_UM = (
    SIZES_UM[0] / math.sqrt(STEP),
    *(math.sqrt(a * b) for a, b in itertools.pairwise(SIZES_UM)),
    SIZES_UM[-1] * math.sqrt(STEP),
)
"""Between the sizes; a grain's class is that of its diameter over its distance in millimetres, which its depth depends
on."""

PER_MEGAPIXEL = 100.0
"""Grains a megapixel of the photograph in what is learned from, everywhere the same: nothing but a shadow itself may
speak for it, or a roll's photographs would say the same thing over and over."""

GRAIN, WEIGHT, PRIOR = slice(0, PHASES), PHASES, PHASES + 1
"""Planes of a target: one more than the index in `SIZES_UM` of the grain in each place of a cell, 0 for none; how much
the cell counts; ln of the share of places that hold a grain."""

PLANES = PHASES + 2

LN_SHARES = tuple(
    math.log(math.log(b / a) / math.log(EDGES_UM[-1] / EDGES_UM[0])) for a, b in itertools.pairwise(EDGES_UM)
)
"""ln of each class's share of grains whose sizes are spread evenly in ln diameter."""


TWINNED = 6
"""Of the smallest sizes, so many are also learned from pictures that differ by nothing but their shadows."""

REACH = 7
"""Places that the stamp of such a shadow reaches each way from its centre's."""

STAMP_PX = (2 * REACH + 1) * PLACE
"""Side of that stamp in pixels of the network's picture."""

VARIANTS = 10
"""Stamps of each size, their centres anywhere in the middle place."""


TOGETHER = 8
"""Crops of one frame that get the same shadows in the same places, like photographs of a roll: what is said of them is
added up, and an error that pictures of one kind share counts in the sum."""


@dataclass(frozen=True, slots=True)
class Grains:
    """What lies in a frame, (n,) each: places in pixels of the photograph, diameter in µm over distance in mm."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    size_um: NDArray[np.float64]


def place_px(view: View) -> int:
    """Return the pixels of a photograph between places of a view."""
    return PLACE * view.step


def grain_target(
    grains: Grains, view: View, shape: tuple[int, int], *, ignored: NDArray[np.bool_] | None = None
) -> FloatArray:
    """Return the planes (PLANES, h, w) of a frame of h × w cells.

    Parameters
    ----------
    ignored
        Pixels of the photograph (height, width) whose cells don't count.
    """
    planes = np.zeros((PLANES, *shape), dtype=np.float32)
    planes[WEIGHT] = 1.0
    if ignored is not None:
        planes[WEIGHT][any_in_cell(ignored, view, shape)] = 0.0
    side = place_px(view)
    planes[PRIOR] = math.log(PER_MEGAPIXEL * side**2 / 1e6)
    rows, columns = (np.rint((place - (side - 1) / 2) / side).astype(np.intp) for place in (grains.y, grains.x))
    kinds = np.searchsorted(EDGES_UM, grains.size_um)
    for row, column, kind in zip(rows.tolist(), columns.tolist(), kinds.tolist(), strict=True):
        cell = row // ACROSS, column // ACROSS
        if 0 <= cell[0] < shape[0] and 0 <= cell[1] < shape[1]:
            if 1 <= kind <= SIZES:
                planes[(row % ACROSS) * ACROSS + column % ACROSS][cell] = kind
            else:
                planes[WEIGHT][cell] = 0.0
    return planes
