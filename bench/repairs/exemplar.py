"""A fill from pieces of the surroundings, edges first.

A. Criminisi, P. Pérez & K. Toyama, 'Region filling and object removal by exemplar-based image inpainting', IEEE
Trans. Image Processing 13 (2004) 1200, doi 10.1109/TIP.2004.833105.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph, Spots
from ...generators.cv import cv2
from .contract import FILLED, LEFT, BoolArray, Known, Mended, Patch, SpotBySpot, disc, place, window_about
from .inpaint import hole_radius

FloatArray = NDArray[np.float32]

HALF_PX = 4
"""Half the side of a piece, less half a pixel: 9 × 9 pixels, as in the paper."""

SEARCH_PX = 40
"""Ground around the hole in which pieces are looked for: near ones fit best and cost least."""


class Exemplar(SpotBySpot):
    """Pieces of the surroundings, the best fitting one at a time, edges continued first (Criminisi et al. 2004)."""

    name = "exemplar"
    version = "1"

    def mend(self, photograph: Photograph, spot: Spots, known: Known) -> Patch:
        """Return the window about a spot with its disc filled."""
        centre, radius = place(spot), hole_radius(float(spot.diameter_px[0]))
        window = window_about(photograph.shape, centre, radius + SEARCH_PX)
        codes, hole = photograph.pixels[window], disc(window, centre, radius)
        if not _pieces(hole).any():
            return Patch(window, codes.copy(), Mended(LEFT, *centre, note="no ground left around it"))
        return Patch(window, exemplar_fill(codes, hole), Mended(FILLED, *centre))


def exemplar_fill(codes: NDArray[Any], hole: BoolArray) -> NDArray[Any]:
    """Return codes (h, w, 3) with the hole filled by copies of whole pieces that were known from the start.

    Raises
    ------
    ValueError
        If no piece of the picture is without a hole.
    """
    pieces = _pieces(hole)
    if not pieces.any():
        raise ValueError("no piece of the picture lies wholly outside the hole; hand over more of the surroundings")
    state = _Filling.start(codes, hole)
    while state.open.any():
        state.step(pieces)
    return np.rint(state.picture).astype(codes.dtype)


def _pieces(hole: BoolArray) -> BoolArray:
    """Return at which top left corners a whole piece lies outside the hole, (h − 8, w − 8)."""
    side = 2 * HALF_PX + 1
    if min(hole.shape) < side:
        return np.zeros((0, 0), dtype=bool)
    covered = cv2.dilate(hole.astype(np.uint8), np.ones((side, side), np.uint8))
    return np.asarray(covered[HALF_PX : hole.shape[0] - HALF_PX, HALF_PX : hole.shape[1] - HALF_PX] == 0)


@dataclass(slots=True)
class _Filling:
    """A picture while its hole is being closed: its codes as float32, what is open, how sure each pixel is."""

    picture: FloatArray
    open: BoolArray
    sure: FloatArray

    @classmethod
    def start(cls, codes: NDArray[Any], hole: BoolArray) -> _Filling:
        picture = codes.astype(np.float32)
        # Gradients at the rim must not see the shadow: the hole starts as the smooth continuation of the ground.
        picture[hole] = picture[~hole].mean(axis=0)
        return cls(picture, hole.copy(), (~hole).astype(np.float32))

    def step(self, pieces: BoolArray) -> None:
        """Fill what is open under one piece."""
        row, column, sure = self._most_urgent()
        here = window_about((self.open.shape[0], self.open.shape[1]), (column, row), HALF_PX)
        wanted = self.open[here]
        top, left = self._best_piece(here, pieces)
        piece = self.picture[top : top + wanted.shape[0], left : left + wanted.shape[1]]
        self.picture[here] = np.where(wanted[..., None], piece, self.picture[here])
        self.sure[here] = np.where(wanted, sure, self.sure[here])
        self.open[here] = False

    def _most_urgent(self) -> tuple[int, int, float]:
        """Return the place on the rim with the largest C·D, of equal ones the largest C, and its C.

        C is the mean certainty under the piece, D the strength of the edge that runs into the hole there,
        |∇⊥I · n|, with n the rim's normal.
        """
        shut = (~self.open).astype(np.uint8)
        rim = self.open & (cv2.dilate(shut, np.ones((3, 3), np.uint8)) > 0)
        rows, columns = np.nonzero(rim)
        side = 2 * HALF_PX + 1
        certainty = cv2.boxFilter(self.sure, -1, (side, side), borderType=cv2.BORDER_REPLICATE)[rim]
        data = self._edges()[rim]
        first = int(np.lexsort((-certainty, -certainty * data))[0])
        return int(rows[first]), int(columns[first]), float(certainty[first])

    def _edges(self) -> FloatArray:
        grey = self.picture.mean(axis=2)
        gx, gy = (cv2.Sobel(grey, cv2.CV_32F, dx, 1 - dx) for dx in (1, 0))
        # An edge counts where it is known: the gradient is taken from the known side, a pixel or two away.
        known = (~self.open).astype(np.float32)
        inner = cv2.erode(known, np.ones((3, 3), np.uint8))
        gx, gy = (cv2.blur(g * inner, (5, 5)) for g in (gx, gy))
        nx, ny = (cv2.Sobel(cv2.blur(known, (5, 5)), cv2.CV_32F, dx, 1 - dx) for dx in (1, 0))
        length = np.hypot(nx, ny)
        across = np.abs(gx * ny - gy * nx)
        return np.asarray(np.divide(across, length, out=np.zeros_like(across), where=length > 0))

    def _best_piece(self, here: tuple[slice, slice], pieces: BoolArray) -> tuple[int, int]:
        """Return the top left corner of the known piece that differs least where both are known."""
        known = np.repeat((~self.open[here]).astype(np.float32)[..., None], 3, axis=2)
        cost = cv2.matchTemplate(self.picture, self.picture[here], cv2.TM_SQDIFF, mask=known)
        # Near the frame's edge the piece is cut; a whole one is asked for all the same, so that one rule holds.
        allowed = cost[: pieces.shape[0], : pieces.shape[1]]
        best = int(np.argmin(np.where(pieces, allowed, np.inf)))
        return best // pieces.shape[1], best % pieces.shape[1]
