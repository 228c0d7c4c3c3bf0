"""Lichens: round crusts in colonies, as wide as the shadows of dust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray
from .raster import colour, smoothstep

LICHENS = (colour(0.36, 0.38, 0.30), colour(0.05, 0.05, 0.045), colour(0.34, 0.23, 0.06))
TINTS = np.concatenate((np.zeros((3, 1), dtype=np.float32), *(tint.reshape(3, 1) for tint in LICHENS)), axis=1)
"""Linear sRGB of grey-green, black and orange crusts: round, 6…60 px wide, as dust shadows are."""

CRUST_EDGE = 3
"""Samples that a crust's soft edge reaches beyond its outline."""


@dataclass(frozen=True, slots=True)
class Lichens:
    """Crusts on a face.

    Attributes
    ----------
    densities
        How much of the stone every kind hides, 0…1, float32 (4,); the first is bare stone.
    kinds
        Which of them grows in a sample, or next to it, uint8 of the canvas's shape.
    crusts
        255 where one grows and 0 elsewhere, with soft edges, uint8 of the canvas's shape.
    """

    densities: FloatArray
    kinds: NDArray[np.uint8]
    crusts: NDArray[np.uint8]

    @classmethod
    def scattered(cls, shape: tuple[int, int], rng: np.random.Generator) -> Lichens:
        """Return discs of 3…30 samples, many of them small, most of them in colonies of one kind."""
        import cv2

        kinds, crusts = (np.zeros(shape, dtype=np.uint8) for _ in range(2))
        densities = np.zeros(1 + len(LICHENS), dtype=np.float32)
        for kind in range(1, len(densities)):
            densities[kind] = rng.uniform(0.5, 0.8)
            count = int(rng.poisson(shape[0] * shape[1] * rng.uniform(0.0, 6e-4)))
            colonies = rng.uniform((0, 0), shape[::-1], (1 + count // 12, 2))
            middles = colonies[rng.integers(len(colonies), size=count)] + rng.normal(0, 45.0, (count, 2))
            alone = rng.random(count) < 0.4
            middles[alone] = rng.uniform((0, 0), shape[::-1], (int(alone.sum()), 2))
            for middle, size in zip((8 * middles).astype(int).tolist(), rng.pareto(1.6, count), strict=True):
                radius = int(min(1.5 + 1.5 * size, 15.0) * 8)
                cv2.circle(crusts, middle, radius, 255, thickness=-1, lineType=cv2.LINE_AA, shift=3)
                cv2.circle(kinds, middle, radius + 8 * CRUST_EDGE, kind, thickness=-1, shift=3)
        return cls(densities, kinds, np.asarray(cv2.GaussianBlur(crusts, (0, 0), 1.2), dtype=np.uint8))

    def grow(self, stone: FloatArray, rows: slice, lit: tuple[FloatArray, FloatArray]) -> None:
        """Lay crusts on rows of lit stone (3, rows, columns), in place, under its light and ragged by its grain.

        Few samples have a crust: only these are computed.
        """
        near = np.flatnonzero(self.crusts[rows])
        light, grain = (plane.ravel()[near] for plane in lit)
        ragged = self.crusts[rows].ravel()[near] * (np.float32(1 / 255) + np.float32(0.4 / 255) * grain)
        kind = self.kinds[rows].ravel()[near]
        share = self.densities[kind] * smoothstep(ragged, 0.35, 0.75)
        for plane, tints in zip(stone.reshape(3, -1), TINTS, strict=True):
            bare = plane[near]
            plane[near] = share * (light * tints[kind] - bare) + bare
