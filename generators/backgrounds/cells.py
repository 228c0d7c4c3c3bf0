"""Cells about scattered seeds: bushes, stones, plates of crust."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray


def cell_distance(
    shape: tuple[int, int], spacing: float, rng: np.random.Generator, *, periodic: bool = False
) -> FloatArray:
    """Return every sample's distance to the nearest of scattered seeds, in units of their mean spacing.

    The seeds are a Poisson process of one in `spacing`² samples. Creases run halfway between seeds, as where
    bushes or stones meet: P(distance > r) = exp(−πr²). If periodic, they go on at the opposite edge.
    """
    import cv2

    seeds, margin = _seeds(shape, spacing, rng, periodic)
    distance = np.asarray(cv2.distanceTransform(seeds, cv2.DIST_L2, cv2.DIST_MASK_5), dtype=np.float32)
    return _inner(distance, margin, spacing)


def cells(
    shape: tuple[int, int], spacing: float, rng: np.random.Generator, *, periodic: bool = False
) -> tuple[FloatArray, NDArray[np.uint8]]:
    """Return `cell_distance` and the number, modulo 256, of the cell that every sample belongs to."""
    import cv2

    seeds, margin = _seeds(shape, spacing, rng, periodic)
    distance, label = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    labels = np.asarray(label, dtype=np.int32)
    inside = labels[margin:-margin, margin:-margin]
    number = _numbers(seeds, labels, shape)[inside] if periodic else (inside & 255).astype(np.uint8)
    return _inner(np.asarray(distance, dtype=np.float32), margin, spacing), number


def _numbers(seeds: NDArray[np.uint8], labels: NDArray[np.int32], shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Return the number of the cell that every label stands for, the same for a seed and what it goes on as."""
    at = np.nonzero(seeds == 0)
    margins = ((side - length) // 2 for side, length in zip(seeds.shape, shape, strict=True))
    down, across = ((axis - margin) % length for axis, margin, length in zip(at, margins, shape, strict=True))
    _, order = np.unique(down * shape[1] + across, return_inverse=True)
    numbers = np.zeros(len(order) + 1, dtype=np.uint8)
    numbers[labels[at]] = order & 255
    return numbers


def by_cell(number: NDArray[np.uint8], values: NDArray[np.float64]) -> FloatArray:
    """Return one of `values` for every cell, taken in turn."""
    import cv2

    table = np.resize(values.astype(np.float32), 256)
    return np.asarray(cv2.LUT(number, table), dtype=np.float32)


def _seeds(
    shape: tuple[int, int], spacing: float, rng: np.random.Generator, periodic: bool
) -> tuple[NDArray[np.uint8], int]:
    """Return 0 at the seeds and 255 elsewhere, and how far the map reaches beyond the shape."""
    margin = int(3 * spacing)
    h, w = shape if periodic else (shape[0] + 2 * margin, shape[1] + 2 * margin)
    count = max(int(rng.poisson(h * w / spacing**2)), 1)
    seeds = np.full((h, w), 255, dtype=np.uint8)
    seeds[rng.integers(h, size=count), rng.integers(w, size=count)] = 0
    return np.pad(seeds, margin, mode="wrap") if periodic else seeds, margin


def _inner(distance: FloatArray, margin: int, spacing: float) -> FloatArray:
    return np.asarray(distance[margin:-margin, margin:-margin] * np.float32(1 / spacing), dtype=np.float32)


def domes(distance: FloatArray, radius: float) -> FloatArray:
    """Return the height 0…1 of round heaps of that radius: √(1 − (distance/radius)²), 0 beyond."""
    squared = distance * np.float32(1 / radius)
    squared *= squared
    np.subtract(1, squared, out=squared)
    np.maximum(squared, 0, out=squared)
    return np.asarray(np.sqrt(squared, out=squared), dtype=np.float32)
