"""Fills that general libraries offer: the hole is closed from its rim, in the file's own codes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph, Spots
from ...generators.cv import cv2
from .contract import FILLED, REACH, BoolArray, Known, Mended, Patch, SpotBySpot, disc, place, window_about

RADIUS_PX = 5
"""Neighbourhood that OpenCV's two methods look at around a pixel, in pixels (common practice: 3–5)."""

MARGIN_PX = 12
"""Known pixels that are handed over on each side of a hole: more than any of the methods looks at."""

Pixels = NDArray[Any]


class Fill(SpotBySpot):
    """Base of the repairs that put new pixels into a disc about the spot."""

    def mend(self, photograph: Photograph, spot: Spots, known: Known) -> Patch:
        """Return the window about a spot with its disc filled."""
        centre, radius = place(spot), hole_radius(float(spot.diameter_px[0]))
        window = window_about(photograph.shape, centre, radius + MARGIN_PX)
        hole = disc(window, centre, radius)
        codes = np.ascontiguousarray(photograph.pixels[window])
        if hole.all():
            return Patch(window, codes, Mended("left", *centre, note="no ground left around it"))
        return Patch(window, self.fill(codes, hole), Mended(FILLED, *centre))

    def fill(self, codes: Pixels, hole: BoolArray) -> Pixels:
        """Return codes (h, w, 3) with new ones where `hole` is True."""
        raise NotImplementedError


def hole_radius(diameter_px: float) -> float:
    """Return the radius of the disc that holds a shadow of this full width at half depth, in pixels."""
    return REACH * diameter_px / 2


def opencv_fill(codes: Pixels, hole: BoolArray, method: int) -> Pixels:
    """Return `cv2.inpaint` of codes; it takes eight bits in colour, sixteen a band at a time."""
    mask = hole.astype(np.uint8)
    if codes.dtype == np.uint8:
        return np.asarray(cv2.inpaint(codes, mask, RADIUS_PX, method))
    bands = (np.ascontiguousarray(codes[..., band]) for band in range(codes.shape[2]))
    return np.stack([cv2.inpaint(band, mask, RADIUS_PX, method) for band in bands], axis=2)


class Telea(Fill):
    """Fast marching from the rim inwards, OpenCV's INPAINT_TELEA.

    A. Telea, 'An image inpainting technique based on the fast marching method', J. Graphics Tools 9 (2004) 23.
    """

    name = "telea"
    version = "1"

    def fill(self, codes: Pixels, hole: BoolArray) -> Pixels:
        """Return the library's own answer."""
        return opencv_fill(codes, hole, cv2.INPAINT_TELEA)


class NavierStokes(Fill):
    """Lines of equal brightness carried on like a fluid's flow, OpenCV's INPAINT_NS.

    M. Bertalmio, A. L. Bertozzi & G. Sapiro, 'Navier–Stokes, fluid dynamics, and image and video inpainting',
    CVPR (2001) 355.
    """

    name = "navier-stokes"
    version = "1"

    def fill(self, codes: Pixels, hole: BoolArray) -> Pixels:
        """Return the library's own answer."""
        return opencv_fill(codes, hole, cv2.INPAINT_NS)


class Biharmonic(Fill):
    """The smoothest surface through the rim, scikit-image's `inpaint_biharmonic`.

    S. B. Damelin & N. S. Hoang, 'On surface completion and image inpainting by biharmonic functions', Int. J.
    Math. Math. Sci. (2018) 3950312.
    """

    name = "biharmonic"
    version = "1"

    def fill(self, codes: Pixels, hole: BoolArray) -> Pixels:
        """Return the library's own answer, rounded to codes."""
        from skimage.restoration import inpaint_biharmonic  # slow to import

        top = np.iinfo(codes.dtype).max
        filled = inpaint_biharmonic(codes / top, hole, channel_axis=-1)
        rounded = np.rint(np.clip(filled, 0.0, 1.0) * top).astype(codes.dtype)
        return np.where(hole[..., None], rounded, codes)
