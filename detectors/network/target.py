"""The truth of a frame as the network is to answer it: a picture of centres, one number a cell."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .features import View

FloatArray = NDArray[np.float32]

HEAT, SIZE, DOWN, RIGHT, WEIGHT, CENTRE = range(6)
"""Planes of a target: how near a centre is, log₂ of its width over 8 pixels, offsets in cells, how much the cell
counts, whether it holds a centre."""

PLANES = 6

SPREAD = 0.7
"""Standard deviation in cells of the hill about a centre: a cell beside it is hardly a mistake."""

REFERENCE_PX = 8.0

HARD = 3.0
"""What a place counts, against 1 elsewhere, at which another method took clean detail for dust."""


@dataclass(frozen=True, slots=True)
class Centres:
    """What lies in a frame, one entry a shadow, in pixels of the photograph.

    Attributes
    ----------
    x, y, fwhm_px
        Place and full width at half depth.
    counted
        Whether it is to be found. Where it is not, the network may answer as it likes.
    mistaken
        (n, 2) places x, y where others saw dust and none is.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    fwhm_px: NDArray[np.float64]
    counted: NDArray[np.bool_]
    mistaken: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))


def to_cells(place: NDArray[np.float64], view: View) -> NDArray[np.float64]:
    """Return positions of the photograph in cells: cell 0's middle is at (cell_px − 1)/2.

    >>> to_cells(np.array([1.5, 5.5]), View(step=1, pupil_px=8.0)).tolist()
    [0.0, 1.0]
    """
    return np.asarray((place - (view.cell_px - 1) / 2) / view.cell_px)


def from_cells(place: NDArray[np.float64], view: View) -> NDArray[np.float64]:
    """Return positions in cells in pixels of the photograph: the inverse of `to_cells`."""
    return np.asarray(place * view.cell_px + (view.cell_px - 1) / 2)


def target(
    centres: Centres, view: View, shape: tuple[int, int], *, ignored: NDArray[np.bool_] | None = None
) -> FloatArray:
    """Return the planes (PLANES, h, w) of a frame of h × w cells.

    Parameters
    ----------
    ignored
        Pixels of the photograph (height, width) whose cells don't count unless a centre lies in them.
    """
    planes = np.zeros((PLANES, *shape), dtype=np.float32)
    planes[WEIGHT] = 1.0
    for across, along in to_cells(centres.mistaken, view):
        _near(planes[WEIGHT], along, across, radius=1)[...] = HARD
    if ignored is not None:
        planes[WEIGHT][any_in_cell(ignored, view, shape)] = 0.0
    u, v = to_cells(centres.x, view), to_cells(centres.y, view)
    for index in np.flatnonzero(~centres.counted):
        _near(planes[WEIGHT], v[index], u[index], radius=centres.fwhm_px[index] / 2 / view.cell_px + 1)[...] = 0.0
    for index in np.flatnonzero(centres.counted):
        _place(planes, v[index], u[index], size=np.log2(centres.fwhm_px[index] / view.step / REFERENCE_PX))
    return planes


def any_in_cell(mask: NDArray[np.bool_], view: View, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return which cells (h, w) hold a pixel of a mask of the photograph."""
    side = view.cell_px
    kept = mask[: shape[0] * side, : shape[1] * side].reshape(shape[0], side, shape[1], side)
    return np.asarray(kept.any(axis=(1, 3)))


def _near(plane: FloatArray, row: float, column: float, *, radius: float) -> FloatArray:
    top, left = max(0, round(row - radius)), max(0, round(column - radius))
    return plane[top : max(0, round(row + radius) + 1), left : max(0, round(column + radius) + 1)]


def _place(planes: FloatArray, row: float, column: float, *, size: float) -> None:
    height, width = planes.shape[1:]
    i, j = int(np.clip(round(row), 0, height - 1)), int(np.clip(round(column), 0, width - 1))
    rows, columns = np.arange(max(0, i - 2), min(height, i + 3)), np.arange(max(0, j - 2), min(width, j + 3))
    near = np.exp(-((rows[:, None] - row) ** 2 + (columns[None, :] - column) ** 2) / (2 * SPREAD**2))
    hill = planes[HEAT, rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    np.maximum(hill, near, out=hill)
    planes[[HEAT, SIZE, DOWN, RIGHT, WEIGHT, CENTRE], i, j] = 1.0, size, row - i, column - j, 1.0, 1.0
