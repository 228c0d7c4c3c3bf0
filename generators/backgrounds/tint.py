"""Whatever is wider than the canvas needs, worked out on a coarser grid and enlarged once.

Colours, shade and large shapes lose nothing on a grid two or four times coarser, at a quarter or a sixteenth of the
cost. What is fine is light from a tile, by which they are multiplied.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray
from .bent import bent_field
from .noise import MARGIN_SAMPLES, Spectrum, Tone, enlarged_rows, field_rows, grid_step, on_grid, plane, small_shape
from .raster import Rows, grown

Lit = Callable[[slice, FloatArray], FloatArray]
"""Gives planes (n, rows, columns) of the rows asked for, under the light that falls on them."""


@dataclass(frozen=True, slots=True)
class Tint:
    """A grid that covers a canvas and a little more.

    Attributes
    ----------
    canvas
        Shape in samples.
    step
        Samples of the canvas from one of the grid to the next, a power of two: waves from four times as many on are
        held without a trace of the grid.
    rng
        Draws what is laid on it.
    """

    canvas: tuple[int, int]
    step: int
    rng: np.random.Generator

    @property
    def grid(self) -> tuple[int, int]:
        """Shape of the grid; `MARGIN_SAMPLES` of it lie beyond every edge of the canvas."""
        return small_shape(self.canvas, self.step)

    def field(self, spectrum: Spectrum, tone: Tone | None = None) -> FloatArray:
        """Return `field` on the grid, through a curve if given; the spectrum's lengths are samples of the canvas."""
        smooth = grid_step(spectrum.finest_px / self.step) > 1  # made on a coarser grid still, where a curve costs less
        rows = field_rows(self.grid, on_grid(spectrum, self.step, self.canvas), self.rng, tone if smooth else None)
        whole = plane(rows, self.grid)
        return whole if smooth or tone is None else tone(whole)

    def bent(self, spectrum: Spectrum, *, bend_px: float) -> FloatArray:
        """Return `bent_field` on the grid; lengths are samples of the canvas."""
        return bent_field(self.grid, on_grid(spectrum, self.step, self.canvas), self.rng, bend_px=bend_px / self.step)

    def framed(self, plane: FloatArray) -> FloatArray:
        """Return a plane that covers the canvas at this step with its edge repeated in the margin of the grid."""
        import cv2

        (h, w), beyond = self.grid, MARGIN_SAMPLES
        edges = (beyond, h - plane.shape[0] - beyond, beyond, w - plane.shape[1] - beyond)
        return np.asarray(cv2.copyMakeBorder(plane, *edges, cv2.BORDER_REPLICATE), dtype=np.float32)

    def at(self, plane: FloatArray, x: NDArray[np.float64], y: NDArray[np.float64]) -> FloatArray:
        """Return the value of a plane of the grid at positions in the canvas, nearest sample, of shape (n,)."""
        column, row = ((at / self.step + MARGIN_SAMPLES).round().astype(np.intp) for at in (x, y))
        return np.asarray(plane[row, column], dtype=np.float32)

    def rows(self, plane: FloatArray) -> Rows:
        """Return what gives rows of the canvas of a plane of the grid, enlarged by a spline."""
        return enlarged_rows(plane, self.step, self.canvas)

    def lit(self, planes: FloatArray, finer: FloatArray | None = None) -> Lit:
        """Return what gives rows of the canvas of planes (n, rows, columns) of the grid, each times the light there.

        Parameters
        ----------
        planes
            Enlarged by a spline.
        finer
            What they are multiplied by on a grid of step 2, on the way; from there lines are straight. That grid has
            `MARGIN_SAMPLES` of its own beyond the canvas.
        """
        if finer is None:
            return _times([self.rows(plane) for plane in planes])
        half, beyond = finer, (self.step // 2 - 1) * MARGIN_SAMPLES  # of this grid's margin, beyond that of the other
        halfway = [enlarged_rows(plane, self.step // 2, half.shape, edge=beyond) for plane in planes]

        def enlarged(part: slice, between: Rows) -> FloatArray:
            needed = slice(part.start // 2 + MARGIN_SAMPLES - 1, -(-part.stop // 2) + MARGIN_SAMPLES + 1)
            small = between(needed) * half[needed]
            large = grown(small, (2 * small.shape[0], 2 * small.shape[1]), 2)
            top, left = part.start - 2 * (needed.start - MARGIN_SAMPLES), 2 * MARGIN_SAMPLES
            return large[top : top + part.stop - part.start, left : left + self.canvas[1]]

        return _times([partial(enlarged, between=between) for between in halfway])


def _times(planes: Sequence[Rows]) -> Lit:
    """Return what gives rows of planes, each times the light there."""

    def lit(part: slice, light: FloatArray) -> FloatArray:
        out = np.empty((len(planes), *light.shape), dtype=np.float32)
        for room, enlarged in zip(out, planes, strict=True):
            np.multiply(enlarged(part), light, out=room)
        return out

    return lit
