"""An outline's covered share, smoothed by splines: a sampled mask whose spectrum is nearly free of aliases.

Shares of square cells are right as areas, yet what their samples alias to is a part (f·pitch)² of the spectrum at f.
Smoothed by a quadratic and a cubic B-spline it is (f·pitch)⁴, and the smoothing divides out of the spectrum.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .outline import area

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

_CROSSED = 0.02
"""How far outside 0…1 the smoothed share may lie by rounding and quadrature, which leave less than 1e-3."""


def spline_cover(corners: FloatArray, shape: tuple[int, int]) -> Float32Array | None:
    """Return the covered share of a closed polygon on a grid (height, width), smoothed by splines.

    A ⊛ β₂(x) β₃(y): the running sum along each row of what the polygon's edges lay down, Σ dy β₃(x) β₃(y), as
    B-splines are boxes of each other (Schoenberg). Two Gauss points on pieces of at most one cell.

    Parameters
    ----------
    corners
        (n, 2), x and y in samples, at least two samples inside the grid.

    Returns
    -------
    The share, or None where the outline crosses or folds over itself, so that parts would count twice.
    """
    height, width = shape
    ordered = corners if area(corners) > 0 else corners[::-1]
    points, rise = _along(ordered)
    # A running sum of splines about x + ½ ends in a spline about x.
    column, row = np.floor(points[:, 0] + 0.5).astype(np.intp), np.floor(points[:, 1]).astype(np.intp)
    across, down = _cubic(points[:, 0] + 0.5 - column), _cubic(points[:, 1] - row)
    step = np.arange(-1, 3)
    place = (row * width + column)[:, None, None] + (step[:, None] * width + step)
    laid = (down * -rise[:, None])[:, :, None] * across[:, None, :]
    total = np.bincount(place.ravel(), laid.ravel(), minlength=height * width)
    share = np.cumsum(total.astype(np.float32).reshape(shape), axis=1)
    return None if share.max() > 1 + _CROSSED or share.min() < -_CROSSED else share


def smoothing(fx: FloatArray, fy: FloatArray) -> tuple[Float32Array, Float32Array]:
    """Return the splines' transforms at frequencies in cycles a sample, to divide the share's spectrum by."""
    return (np.sinc(fx) ** 3).astype(np.float32), (np.sinc(fy) ** 4).astype(np.float32)


def _along(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return quadrature points (m, 2) along a polygon's edges and the dy that each stands for."""
    edge = np.roll(corners, -1, axis=0) - corners
    pieces = np.maximum(1, np.ceil(np.abs(edge).max(axis=1))).astype(int)
    first = np.repeat(np.cumsum(pieces) - pieces, pieces)
    run = np.repeat(edge / pieces[:, None], pieces, axis=0)
    start = np.repeat(corners, pieces, axis=0) + (np.arange(pieces.sum()) - first)[:, None] * run
    aside = 0.5 / math.sqrt(3)
    points = np.concatenate([start + (0.5 - aside) * run, start + (0.5 + aside) * run])
    return points, np.concatenate([run[:, 1], run[:, 1]]) / 2


def _cubic(t: FloatArray) -> FloatArray:
    """Return the weights (n, 4) of the cubic B-spline at samples −1, 0, 1, 2 for a place t in 0…1."""
    u = 1 - t
    return np.column_stack([u**3, 4 - 6 * t**2 + 3 * t**3, 4 - 6 * u**2 + 3 * u**3, t**3]) / 6
