"""Lichens: round crusts in colonies, as wide as the shadows of dust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray, in_wide
from .raster import colour, smoothstep
from .stone import GREY

LICHENS = (colour(0.36, 0.38, 0.30), colour(0.05, 0.05, 0.045), colour(0.34, 0.23, 0.06))
TINTS = np.concatenate((np.zeros((3, 1), dtype=np.float32), *(tint.reshape(3, 1) for tint in LICHENS)), axis=1)
"""Linear sRGB of grey-green, black and orange crusts: round, 6…60 px wide, as dust shadows are."""

THINNEST = 29
"""Of 255: less of a crust shows nowhere, however the grain is."""

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
        """Return discs 5…31 samples wide, many of them small, most of them in colonies of one kind."""
        import cv2

        kinds, crusts = (np.zeros(shape, dtype=np.uint8) for _ in range(2))
        densities = np.zeros(1 + len(LICHENS), dtype=np.float32)
        for kind in range(1, len(densities)):
            densities[kind] = rng.uniform(0.5, 0.8)
            count = int(rng.poisson(shape[0] * shape[1] * rng.uniform(0.0, in_wide(shape, 3e-4, else_=6e-4))))
            colonies = rng.uniform((0, 0), shape[::-1], (1 + count // 12, 2))
            middles = colonies[rng.integers(len(colonies), size=count)] + rng.normal(0, 45.0, (count, 2))
            alone = rng.random(count) < 0.4
            middles[alone] = rng.uniform((0, 0), shape[::-1], (int(alone.sum()), 2))
            sizes = 1.5 + 1.5 * rng.pareto(1.6, count)
            radii = np.where(sizes > 15, rng.uniform(4, 15, count), sizes).round().astype(int)
            for radius in np.unique(radii).tolist():
                alike = np.rint(8 * middles[radii == radius]).astype(np.int32)[:, None, None, :].repeat(2, axis=1)
                # A line without length and as thick as a disc is one: many are drawn by one call.
                cv2.polylines(crusts, alike, False, 255, 2 * radius, cv2.LINE_8, 3)
                cv2.polylines(kinds, alike, False, kind, 2 * (radius + CRUST_EDGE), cv2.LINE_8, 3)
        return cls(densities, kinds, np.asarray(cv2.blur(crusts, (5, 5)), dtype=np.uint8))

    def grow(self, stone: FloatArray, part: slice, grain: FloatArray) -> None:
        """Lay crusts on rows of lit stone (3, rows, columns), in place, ragged by its grain and in the light on it.

        Few samples have a crust: only these are computed.
        """
        near = np.flatnonzero(self.crusts[part] > THINNEST)
        rough = np.maximum(grain.ravel()[near], np.float32(0.05))
        light = stone[1].ravel()[near] / (rough * GREY[1, 0, 0])
        ragged = self.crusts[part].ravel()[near] * (np.float32(0.1 / 255) + np.float32(0.9 / 255) * rough)
        kind = self.kinds[part].ravel()[near]
        share = self.densities[kind] * smoothstep(ragged, 0.35, 0.75)
        for plane, tints in zip(stone.reshape(3, -1), TINTS, strict=True):
            bare = plane[near]
            plane[near] = share * (light * tints[kind] - bare) + bare
