"""How rough a ground is at the scale of shadows: the measure by which a real photograph finds its cell."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

TILE_PX = 192
"""Side of the tiles; a tile holds several shadows' widths and is small against a picture."""

FINE_PX, COARSE_PX = 3.0, 12.0
"""Standard deviations of the two Gaussians whose difference passes shadows 8–40 pixels wide."""

SHRINK = 2
"""Each way; what `FINE_PX` lets through needs no more pixels, and averaging them is a quarter of the work."""

_MAD_TO_SIGMA = 1.4826
"""Median absolute deviation to standard deviation, for a normal distribution."""


def texture_map(log_luminance: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the texture of each tile, float64 (rows, columns), in natural-log units.

    The robust standard deviation of band-passed log luminance: 0.01 is one per cent of contrast at the
    scale of shadows. A few shadows in a tile do not move a median. A picture smaller than a tile is one.
    """
    from ..generators.cv import cv2  # keeps the command line quick to start

    height, width = log_luminance.shape
    size = (max(1, width // SHRINK), max(1, height // SHRINK))
    small = cv2.resize(log_luminance, size, interpolation=cv2.INTER_AREA)
    band = _smoothed(small, FINE_PX) - _smoothed(small, COARSE_PX)
    rows = max(1, height // TILE_PX)
    columns = max(1, width // TILE_PX)
    values = [
        [_spread(tile) for tile in np.array_split(strip, columns, axis=1)]
        for strip in np.array_split(band, rows, axis=0)
    ]
    return np.array(values)


def _smoothed(small: NDArray[Any], sigma_px: float) -> NDArray[np.float32]:
    """Return the shrunken picture as a Gaussian of `sigma_px` leaves it at full size, mirrored at the edges.

    Averaging `SHRINK` pixels has smoothed already, by a variance of (SHRINK² − 1)/12.
    """
    from ..generators.cv import cv2  # keeps the command line quick to start

    sigma = math.sqrt(sigma_px**2 - (SHRINK**2 - 1) / 12) / SHRINK
    reach = math.ceil(3 * sigma)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    weights /= weights.sum()
    smooth = cv2.sepFilter2D(small, cv2.CV_32F, weights, weights, borderType=cv2.BORDER_REFLECT)
    return np.asarray(smooth, dtype=np.float32)


def _spread(tile: NDArray[np.float32]) -> float:
    return _MAD_TO_SIGMA * float(np.median(np.abs(tile - np.median(tile))))


def tile_of(
    shape: tuple[int, int], tiles: tuple[int, int], x: NDArray[np.floating], y: NDArray[np.floating]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the (row, column) of the tile under each pixel position of a picture of `shape`."""
    row = np.clip(_index(y, shape[0], tiles[0]), 0, tiles[0] - 1)
    column = np.clip(_index(x, shape[1], tiles[1]), 0, tiles[1] - 1)
    return row, column


def _index(position: NDArray[np.floating], length: int, parts: int) -> NDArray[np.intp]:
    edges = np.cumsum([len(part) for part in np.array_split(np.arange(length), parts)])
    return np.asarray(np.searchsorted(edges, np.rint(position), side="right"))
