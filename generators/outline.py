"""Outlines in µm: smooth closed curves and bands along a line."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

CORNERS = 180
"""Corners of a closed curve: the polygon of a circle misses 2e-4 of its area."""


def turned(points: FloatArray, angle_deg: float) -> FloatArray:
    """Return points (n, 2) turned about the origin, from the x axis towards the y axis."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.asarray(points @ np.array([[c, s], [-s, c]]))


def area(outline: FloatArray) -> float:
    """Return the signed area of a closed polygon (n, 2), positive from the x axis towards the y axis."""
    x, y = outline.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def wobble(theta: FloatArray, *, strength: float, fall: float, rng: np.random.Generator) -> FloatArray:
    """Return a smooth random function of the angle with standard deviation about `strength`, zero mean.

    Harmonics k = 2…12 with amplitudes k^−fall (the first would only move the centre); their number is
    fixed, so the same generator state gives the same shape.
    """
    k = np.arange(2, 13)
    amplitude = k**-fall
    amplitude = amplitude * strength * math.sqrt(2) / math.sqrt(float(np.sum(amplitude**2)))
    amplitude = amplitude * rng.uniform(0.5, 1.4, k.size)
    phase = rng.uniform(0, 2 * math.pi, k.size)
    return np.asarray(np.cos(theta[:, None] * k + phase) @ amplitude)


def blob(
    diameter_um: float, *, aspect: float, roughness: float, angle_deg: float, rng: np.random.Generator
) -> FloatArray:
    """Return the outline of an irregular grain whose area is that of a disk of `diameter_um`.

    An ellipse of the given aspect ratio (long over short), its radius multiplied by
    exp(wobble of strength `roughness`).
    """
    theta = 2 * math.pi * np.arange(CORNERS) / CORNERS
    radius = np.exp(wobble(theta, strength=roughness, fall=1.3, rng=rng))
    shape = radius[:, None] * np.column_stack([np.cos(theta), np.sin(theta) / aspect])
    shape = shape - shape.mean(axis=0)
    scale = math.sqrt(math.pi * diameter_um**2 / 4 / area(shape))
    return turned(scale * shape, angle_deg)


def band(centreline: FloatArray, width_um: FloatArray | float) -> FloatArray:
    """Return the outline of a band of a width (one number, or one a point) along a line (n, 2), ends square."""
    direction = np.gradient(centreline, axis=0)
    direction /= np.hypot(*direction.T)[:, None]
    normal = np.column_stack([-direction[:, 1], direction[:, 0]])
    half = np.broadcast_to(np.asarray(width_um) / 2, len(centreline))[:, None] * normal
    return np.concatenate([centreline - half, (centreline + half)[::-1]])


def reach(outline: FloatArray) -> tuple[float, float]:
    """Return the largest |x| and |y| of an outline."""
    x, y = np.abs(outline).max(axis=0)
    return float(x), float(y)


def longest(outline: FloatArray) -> float:
    """Return the greatest distance between two corners."""
    from scipy.spatial import ConvexHull  # the hull has few corners, so all pairs are cheap

    hull = outline[ConvexHull(outline).vertices]
    return float(np.hypot(*(hull[:, None] - hull[None, :]).transpose(2, 0, 1)).max())
