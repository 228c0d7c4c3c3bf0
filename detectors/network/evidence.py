"""The evidence network's word on one photograph: for each size of grain and place, ln of a likelihood ratio."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ...generators.cv import cv2
from ..consensus_frame import mean_likelihood
from ..consensus_scene import FINE_PX, TILE, thumbnail
from ..contract import Photograph
from .evidence_target import ACROSS, SIZES, WIDEST_PX, place_px
from .features import View, fits, views
from .in_bytes import BOUNDS, SAID_NOTHING, ByteForward, Bytes, said_in_bytes, shown_in_bytes, words, words_in_bytes

FloatArray = NDArray[np.float32]

LEAST, MOST = BOUNDS
"""Bounds of one photograph's word: what no grain would do to this picture, a fold or a bird might."""

STRIPES, STRIPE_PX = 8, FINE_PX * TILE
"""A scene is told by so many stripes of the photograph, each one row of the tiles that `consensus_scene` compares: its
own pixels, since the grid is so coarse that plain sky would have no texture left but the dust's."""


class Words:
    """What the network says of a photograph, on a grid that all photographs of a roll share.

    Parameters
    ----------
    grid_px
        Pixels of the photograph between places of the grid.
    """

    def __init__(self, photograph: Photograph, grid_px: int, forward: ByteForward) -> None:
        self._photograph, self._grid_px, self._forward = photograph, grid_px, forward

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the grid."""
        height, width = self._photograph.shape
        return height // self._grid_px, width // self._grid_px

    @cached_property
    def scene(self) -> FloatArray:
        """Thumbnail of what the photograph shows in `STRIPES` stripes over its whole width."""
        height = self._photograph.shape[0]
        tops = np.unique(np.linspace(0, max(0, height - STRIPE_PX), STRIPES).astype(int))
        rows = [self._photograph.pixels[top : top + STRIPE_PX] for top in tops.tolist()]
        stripes = Photograph(np.concatenate(rows), encoding=self._photograph.encoding)
        return thumbnail(stripes.log_luminance())

    def maps(self) -> Iterator[tuple[int, FloatArray]]:
        """Yield for each of `SIZES_UM` by its index the evidence for it at each place of the grid, float32 (h, w)."""
        for size, plane in enumerate(self.in_bytes()):
            yield size, words(plane)

    def in_bytes(self) -> Bytes:
        """Return the evidence for each of `SIZES_UM` at each place of the grid, (SIZES, h, w); none of a small one.

        Where the f-number is unknown, each of several views is equally likely: the mean of their likelihoods.
        """
        fitting = [view for view in views(self._photograph, widest_px=WIDEST_PX) if fits(self._photograph, view)]
        found = [(view, self._planes(view)) for view in fitting]
        if len(found) == 1 and found[0][1].shape[1:] == self.shape and place_px(found[0][0]) == self._grid_px:
            return found[0][1]
        here = np.full((SIZES, *self.shape), SAID_NOTHING, dtype=np.uint8)
        for size, plane in enumerate(here if found else ()):
            maps = [on_grid(words(planes[size]), view, self._grid_px, self.shape) for view, planes in found]
            plane[:] = words_in_bytes(mean_likelihood(maps))
        return here

    def _planes(self, view: View) -> Bytes:
        """Return the evidence for each size (SIZES, h, w) at each place of a view."""
        shown, blank = shown_in_bytes(self._photograph, view)
        said = said_in_bytes(shown, self._forward)[:, : blank.shape[0], : blank.shape[1]]
        if blank.any():
            said[:, blank] = SAID_NOTHING
        planes = np.empty((SIZES, blank.shape[0], ACROSS, blank.shape[1], ACROSS), dtype=np.uint8)
        for size, row in itertools.product(range(SIZES), range(ACROSS)):
            first = (size * ACROSS + row) * ACROSS
            cv2.merge(list(said[first : first + ACROSS]), dst=planes[size, :, row])
        return planes.reshape(SIZES, blank.shape[0] * ACROSS, -1)


def on_grid(plane: FloatArray, view: View, grid_px: int, shape: tuple[int, int]) -> FloatArray:
    """Return a view's plane of places at the places of a grid (h, w); beyond its edges what is next to them.

    A place of the grid that holds several of the view's has the mean of their likelihoods: the grain may be in any.
    """
    side = place_px(view)
    while side < grid_px:
        plane, side = _joined(plane), 2 * side
    if side == grid_px and plane.shape == shape:
        return plane
    scale, offset = grid_px / side, (grid_px - side) / 2 / side
    matrix = np.array([[scale, 0, offset], [0, scale, offset]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(plane, matrix, shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE))


def _joined(plane: FloatArray) -> FloatArray:
    """Return ln of the mean of the likelihood ratios of 2 × 2 places; an odd last row or column is left out."""
    rows, columns = plane.shape[0] // 2 * 2, plane.shape[1] // 2 * 2
    corners = [plane[i:rows:2, j:columns:2] for i in (0, 1) for j in (0, 1)]
    return mean_likelihood(corners)
