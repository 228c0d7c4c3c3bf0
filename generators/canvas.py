"""The fine grid on which things on the filter are drawn: exact area coverage of polygons, and coordinates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Canvas:
    """A grid of samples about an object's centre, `per_pixel` to a pixel pitch each way.

    Attributes
    ----------
    height_px, width_px
        Odd numbers of camera pixels; the object's centre lies in the middle one.
    per_pixel
        Samples a pixel pitch, odd, so that pixel centres are samples.
    pixel_um
        Pixel pitch.
    offset_px
        (x, y) of the object's centre from the middle pixel's centre.
    """

    height_px: int
    width_px: int
    per_pixel: int
    pixel_um: float
    offset_px: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if not (self.height_px % 2 and self.width_px % 2 and self.per_pixel % 2):
            raise ValueError(
                f"a canvas needs an odd number of pixels and of samples a pixel, not {self.height_px}×{self.width_px} "
                f"and {self.per_pixel}"
            )

    @property
    def pitch_um(self) -> float:
        """Distance between samples."""
        return self.pixel_um / self.per_pixel

    @property
    def shape(self) -> tuple[int, int]:
        """Samples down and across."""
        return self.height_px * self.per_pixel, self.width_px * self.per_pixel

    @property
    def x_um(self) -> FloatArray:
        """Abscissae (1, width) of the samples from the object's centre."""
        return self._axis(self.shape[1], self.offset_px[0])[None, :]

    @property
    def y_um(self) -> FloatArray:
        """Ordinates (height, 1) of the samples from the object's centre."""
        return self._axis(self.shape[0], self.offset_px[1])[:, None]

    def _axis(self, length: int, offset_px: float) -> FloatArray:
        return np.asarray((np.arange(length, dtype=float) - length // 2) * self.pitch_um - offset_px * self.pixel_um)

    def coverage(self, *outlines: FloatArray) -> FloatArray:
        """Return the share of each sample's square inside closed polygons, float64 (height, width), exact.

        A hole is an outline that runs the other way round. Where an outline overlaps itself the share is
        clipped to 1.

        Parameters
        ----------
        outlines
            Corners (n, 2) as x and y in µm from the object's centre. They must lie inside the canvas.
        """
        height, width = self.shape
        total = np.zeros(height * (width + 1))
        for outline in outlines:
            cells = np.asarray(outline) + np.asarray(self.offset_px) * self.pixel_um
            cells = cells / self.pitch_um + (np.array([width // 2, height // 2]) + 0.5)
            _accumulate(total, cells, (height, width + 1))
        share = np.cumsum(total.reshape(height, width + 1), axis=1)[:, :width]
        return np.asarray(np.minimum(np.abs(share), 1.0))


def _accumulate(total: FloatArray, corners: FloatArray, shape: tuple[int, int]) -> None:
    """Add a polygon's edges to a buffer whose running sum along rows is the signed area in each cell.

    An edge piece that stays in one cell, rises by Δy and lies a share s of the cell from its left side
    covers (1 − s)Δy of that cell and Δy of every cell to the right.
    """
    start, end = _within_cells(corners)
    middle, rise = (start + end) / 2, end[:, 1] - start[:, 1]
    column, row = np.floor(middle[:, 0]).astype(int), np.floor(middle[:, 1]).astype(int)
    if column.min() < 0 or row.min() < 0 or column.max() > shape[1] - 2 or row.max() > shape[0] - 1:
        raise ValueError("an outline reaches beyond its canvas")
    share = middle[:, 0] - column
    place = row * shape[1] + column
    total += np.bincount(place, (1 - share) * rise, minlength=total.size)
    total += np.bincount(place + 1, share * rise, minlength=total.size)


def _within_cells(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the ends (m, 2), (m, 2) of a closed polygon's edges, cut so that each stays in one cell."""
    start, step = corners, np.roll(corners, -1, axis=0) - corners
    pieces = np.maximum(1, np.ceil(2 * np.abs(step).max(axis=1))).astype(int)
    # Half a cell at most: such a piece crosses no more than one line each way.
    first = np.repeat(np.cumsum(pieces) - pieces, pieces)
    part = (np.arange(pieces.sum()) - first)[:, None] / np.repeat(pieces, pieces)[:, None]
    low = np.repeat(start, pieces, axis=0) + part * np.repeat(step, pieces, axis=0)
    run = np.repeat(step / pieces[:, None], pieces, axis=0)
    high = low + run
    line = np.maximum(np.floor(low), np.floor(high))
    crosses = np.floor(low) != np.floor(high)
    cut = np.divide(line - low, run, out=np.ones_like(run), where=crosses)
    cuts = np.sort(np.clip(cut, 0.0, 1.0), axis=1)
    stops = [low, low + cuts[:, :1] * run, low + cuts[:, 1:] * run, high]
    return np.concatenate(stops[:-1]), np.concatenate(stops[1:])
