"""Cells about scattered seeds: bushes, stones, plates of crust."""

from __future__ import annotations

import numpy as np

from .base import FloatArray


def cell_distance(shape: tuple[int, int], spacing: float, rng: np.random.Generator) -> FloatArray:
    """Return every sample's distance to the nearest of scattered seeds, in units of their mean spacing.

    The seeds are a Poisson process of one in `spacing`² samples. Creases run halfway between seeds, as where
    bushes or stones meet: P(distance > r) = exp(−πr²).
    """
    import cv2

    margin = int(3 * spacing)
    h, w = shape[0] + 2 * margin, shape[1] + 2 * margin
    count = int(rng.poisson(h * w / spacing**2))
    empty = np.full((h, w), 255, dtype=np.uint8)
    empty[rng.integers(h, size=count), rng.integers(w, size=count)] = 0
    empty[0, 0] = 0
    distance = cv2.distanceTransform(empty, cv2.DIST_L2, cv2.DIST_MASK_5)
    return np.asarray(distance[margin:-margin, margin:-margin] * np.float32(1 / spacing), dtype=np.float32)


def domes(distance: FloatArray, radius: float) -> FloatArray:
    """Return the height 0…1 of round heaps of that radius: √(1 − (distance/radius)²), 0 beyond."""
    squared = distance * np.float32(1 / radius)
    squared *= squared
    np.subtract(1, squared, out=squared)
    np.maximum(squared, 0, out=squared)
    return np.asarray(np.sqrt(squared, out=squared), dtype=np.float32)
