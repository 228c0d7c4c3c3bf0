"""Lichens: round crusts in colonies, as wide as the shadows of dust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray
from .raster import colour, smoothstep

LICHENS = (colour(0.36, 0.38, 0.30), colour(0.05, 0.05, 0.045), colour(0.34, 0.23, 0.06))
"""Linear sRGB of grey-green, black and orange crusts: round, 6…60 px wide, as dust shadows are."""


@dataclass(frozen=True, slots=True)
class Lichen:
    """A kind of crust on a face.

    Attributes
    ----------
    tint
        Its colour.
    density
        How much of the stone it hides, 0…1.
    crusts
        255 where it grows and 0 elsewhere, with soft edges, uint8 of the canvas's shape.
    """

    tint: FloatArray
    density: np.float32
    crusts: NDArray[np.uint8]

    @classmethod
    def scattered(cls, shape: tuple[int, int], tint: FloatArray, rng: np.random.Generator) -> Lichen:
        """Return discs of 3…30 samples, many of them small, most of them in colonies."""
        import cv2

        density = np.float32(rng.uniform(0.5, 0.8))
        discs = np.zeros(shape, dtype=np.uint8)
        count = int(rng.poisson(shape[0] * shape[1] * rng.uniform(0.0, 6e-4)))
        colonies = rng.uniform((0, 0), shape[::-1], (1 + count // 12, 2))
        middles = colonies[rng.integers(len(colonies), size=count)] + rng.normal(0, 45.0, (count, 2))
        alone = rng.random(count) < 0.4
        middles[alone] = rng.uniform((0, 0), shape[::-1], (int(alone.sum()), 2))
        for middle, size in zip((8 * middles).astype(int).tolist(), rng.pareto(1.6, count), strict=True):
            radius = int(min(1.5 + 1.5 * size, 15.0) * 8)
            cv2.circle(discs, middle, radius, 255, thickness=-1, lineType=cv2.LINE_AA, shift=3)
        return cls(tint, density, np.asarray(cv2.GaussianBlur(discs, (0, 0), 1.2), dtype=np.uint8))

    def grow(self, stone: FloatArray, rows: slice, grain: FloatArray) -> None:
        """Lay crusts with edges as ragged as the grain on rows of stone (3, rows, columns), in place.

        Few samples have a crust: only these are computed.
        """
        edge = self.crusts[rows].ravel()
        near = np.flatnonzero(edge)
        ragged = edge[near] * (np.float32(1 / 255) + np.float32(0.4 / 255) * grain.ravel()[near])
        share = self.density * smoothstep(ragged, 0.35, 0.75)
        for plane, tint in zip(stone.reshape(3, -1), self.tint.ravel(), strict=True):
            bare = plane[near]
            plane[near] = share * (tint - bare) + bare
