"""Points of light, smaller than a pixel or two: crystals, stars, glitter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray
from .raster import cached

REACH = 2
"""Half width in pixels of the patch that a point may light; enough for a sigma up to 0.9."""

MOST = 1.2
"""Light above it is cut off where points fall: the sensor saturates at 1."""


def add_points(
    frame: FloatArray, x: NDArray[np.float64], y: NDArray[np.float64], light: FloatArray, *, sigma_px: float
) -> None:
    """Add Gaussian spots to a frame (height, width, 3), in place, up to `MOST`.

    Parameters
    ----------
    frame
        Linear radiance.
    x, y
        Centres in pixels, of shape (n,); (0, 0) is the centre of the first pixel.
    light
        Radiance times area in px², float32 (n, 3) or (n, 1).
    sigma_px
        Width of the spot; the share of every pixel is the Gaussian's integral over its square.
    """
    for some in cached((len(x), 3 * (2 * REACH + 1) ** 2)):
        _add(frame, (x[some], y[some]), light[some], sigma_px)


def _add(
    frame: FloatArray, middles: tuple[NDArray[np.float64], NDArray[np.float64]], light: FloatArray, sigma_px: float
) -> None:
    height, width = frame.shape[:2]
    x, y = middles
    column, row = np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)
    around = np.arange(-REACH, REACH + 1)
    columns, lines = column[:, None] + around, row[:, None] + around
    across, down = _shares(x - column, sigma_px), _shares(y - row, sigma_px)
    across[(columns < 0) | (columns >= width)] = 0
    down[(lines < 0) | (lines >= height)] = 0
    shares = (down[:, :, None] * across[:, None, :]).astype(np.float32)
    first = 3 * (lines.clip(0, height - 1)[:, :, None] * width + columns.clip(0, width - 1)[:, None, :])
    at = (first[..., None] + np.arange(3)).ravel()  # neighbours in turn: they share a line of the cache
    flat = frame.reshape(-1)
    np.add.at(flat, at, (shares[..., None] * np.broadcast_to(light, (len(x), 3))[:, None, None, :]).ravel())
    flat[at] = np.minimum(flat[at], np.float32(MOST))


def _shares(offset: NDArray[np.float64], sigma_px: float) -> NDArray[np.float64]:
    """Return the integrals of a unit Gaussian at `offset` over 2·REACH + 1 pixels, of shape (n, 5)."""
    from scipy.special import ndtr

    edges = np.arange(-REACH - 0.5, REACH + 1.0)[None, :] - offset[:, None]
    return np.asarray(np.diff(ndtr(edges / sigma_px), axis=1))


def power_law(count: int, steepness: float, rng: np.random.Generator, *, largest: float) -> NDArray[np.float64]:
    """Return brightnesses with P(> b) = (1 + b)^(−steepness), cut off at `largest`: few are strong."""
    return np.minimum(rng.pareto(steepness, count), largest)


def scattered(
    shape: tuple[int, int], per_megapixel: float, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return x and y of a Poisson number of points anywhere in the frame."""
    count = int(rng.poisson(shape[0] * shape[1] * per_megapixel / 1e6))
    return rng.uniform(-0.5, shape[1] - 0.5, count), rng.uniform(-0.5, shape[0] - 0.5, count)


def lit_share(plane: FloatArray, x: NDArray[np.float64], y: NDArray[np.float64], sample_px: int) -> FloatArray:
    """Return the value of a canvas plane at frame positions, nearest sample, of shape (n,)."""
    row = np.clip(((y + 0.5) / sample_px).astype(np.int64), 0, plane.shape[0] - 1)
    column = np.clip(((x + 0.5) / sample_px).astype(np.int64), 0, plane.shape[1] - 1)
    return np.asarray(plane[row, column], dtype=np.float32)
