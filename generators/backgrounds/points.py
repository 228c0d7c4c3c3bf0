"""Points of light, smaller than a pixel or two: crystals, stars, glitter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray
from .raster import cached

PHASES = 64
"""Places of a point in a pixel that are told apart."""

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
        Width of the spot; the share of every pixel is the Gaussian's integral over its square, for centres rounded
        to a part of `PHASES` of a pixel.
    """
    height, width = frame.shape[:2]
    places = (np.rint(PHASES * at).astype(np.intp) + PHASES // 2 for at in (x, y))
    (column, right), (row, down) = (np.divmod(place, PHASES) for place in places)
    near = (column >= -REACH) & (column < width + REACH) & (row >= -REACH) & (row < height + REACH)
    order = np.flatnonzero(near)[np.argsort(row[near], kind="stable")]  # neighbours find the frame in the cache
    shares = _shares((np.arange(PHASES) - PHASES // 2) / PHASES, sigma_px).astype(np.float32)
    around, flat = np.arange(-REACH, REACH + 1), frame.reshape(-1)
    for part in cached((len(order), 3 * len(around) ** 2)):
        some = order[part]
        lines, columns = row[some, None] + around, column[some, None] + around
        below = shares[down[some]] * ((lines >= 0) & (lines < height))
        across = shares[right[some]] * ((columns >= 0) & (columns < width))
        spots = (below[:, :, None] * across[:, None, :])[..., None] * light[some, None, None, :]
        first = lines.clip(0, height - 1)[:, :, None] * width + columns.clip(0, width - 1)[:, None, :]
        at = (3 * first[..., None] + np.arange(3)).ravel()  # neighbours in turn: they share a line of the cache
        np.add.at(flat, at, np.broadcast_to(spots, (*spots.shape[:3], 3)).ravel())
        flat[at] = np.minimum(flat[at], np.float32(MOST))


def _shares(offset: NDArray[np.float64], sigma_px: float) -> NDArray[np.float64]:
    """Return the integrals of a unit Gaussian at `offset` over 2·REACH + 1 pixels, of shape (n, 5)."""
    from scipy.special import ndtr

    edges = np.arange(-REACH - 0.5, REACH + 1.0)[None, :] - offset[:, None]
    return np.asarray(np.diff(ndtr(edges / sigma_px), axis=1))


def power_law(chance: FloatArray, steepness: float, *, largest: float) -> FloatArray:
    """Return brightnesses with P(> b) = (1 + b)^(−steepness), cut off at `largest`: few are strong.

    `chance` is uniform in 0…1.
    """
    spread = np.maximum(chance, np.float32((1 + largest) ** -steepness)) ** np.float32(-1 / steepness)
    return np.asarray(spread - np.float32(1), dtype=np.float32)


def chances(places: NDArray[np.intp], seed: int) -> FloatArray:
    """Return a number of uniform chance 0…1 for every place, the same whenever it is asked for.

    The last steps of a 32-bit MurmurHash3 (A. Appleby, public domain; from memory).
    """
    mixed = (places.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) >> np.uint64(32)).astype(np.uint32)
    mixed ^= np.uint32(seed)
    for shift, factor in ((16, 0x85EBCA6B), (13, 0xC2B2AE35)):
        mixed ^= mixed >> np.uint32(shift)
        mixed *= np.uint32(factor)
    mixed ^= mixed >> np.uint32(16)
    return np.asarray(mixed.astype(np.float32) * np.float32(2**-32), dtype=np.float32)


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
