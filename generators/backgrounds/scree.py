"""Scree: angular stones of several sizes with black gaps between them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray
from .bent import bent_plane, look_over
from .canvas import Painting, crisp
from .cells import by_cell, cells, domes
from .noise import Spectrum
from .piles import piled_rows
from .raster import blended, shifted, smoothstep
from .stone import GREY, OCHRE, PALE, relief_light, shading
from .tint import Tint


def scree(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Painting:
    """Angular stones of several sizes, the small ones between the large; gaps are black."""
    sun_deg, spacing = rng.uniform(40.0, 140.0), rng.uniform(12.0, 26.0)
    light = piled_rows(shape, partial(_lit, spacing, sun_deg, rng), rng)
    tint = Tint(shape, 4, rng)
    kind, shade = tint.field(Spectrum(1.0, 60.0, 16.0)), shading(tint, sun)
    ochre = np.float32(0.35) * smoothstep(kind, 0.8, 2.4)
    pale = smoothstep(kind, -1.0, 2.0) * (1 - ochre)
    colours = tint.lit(blended((1 - ochre - pale, pale, ochre), (GREY, PALE, OCHRE)) * shade)
    return lambda part: colours(part, light(part))


def _lit(
    spacing: float, sun_deg: float, rng: np.random.Generator, shape: tuple[int, int], periodic: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the light on stones, and how tall they would be had they not broken off flat: the taller lies on top."""
    rough = bent_plane(shape, Spectrum(1.2, 30.0, 2.0), rng, bend_px=40.0, periodic=periodic)
    layers = [_Stones.scattered(shape, size, rng, periodic) for size in (spacing, spacing / 2.8)]
    (large, peaks), (pebbles, points) = (each.height(rough) for each in layers)
    pebbles *= np.float32(0.5)
    points *= np.float32(0.5)
    peaks = np.maximum(peaks, points, out=peaks)
    peaks += np.float32(0.1) * rough
    over = smoothstep(large - pebbles, -0.02, 0.06)
    upper, lower = (each.face() for each in layers)
    face = lower + over * (upper - lower)
    height = np.maximum(large, pebbles, out=large)
    c, s = np.cos(np.radians(sun_deg)), np.sin(np.radians(sun_deg))

    def look(height: FloatArray, rough: FloatArray, face: FloatArray) -> FloatArray:
        light = smoothstep(height, 0.0, 0.5)
        light *= np.float32(0.86)
        light += np.float32(0.14)
        light *= relief_light(height + np.float32(0.05) * rough, sun_deg, 0.3 * spacing)
        behind = shifted(height, 0.2 * spacing * c, -0.2 * spacing * s)
        behind -= height
        light *= 1 - np.float32(0.55) * smoothstep(behind, 0.15, 0.5)
        light *= face
        return np.maximum(crisp(light), 0)

    return look_over(look, (height, rough, face), periodic), peaks


@dataclass(frozen=True, slots=True)
class _Stones:
    """A layer of stones.

    Attributes
    ----------
    distance, number
        To the middle of the stone that a sample belongs to, in mean spacings, and which one that is, modulo 256.
    sizes, tops, faces
        Of the stones in turn: relative size, height, and the light that their flat faces catch.
    """

    distance: FloatArray
    number: NDArray[np.uint8]
    sizes: NDArray[np.float64]
    tops: NDArray[np.float64]
    faces: NDArray[np.float64]

    @classmethod
    def scattered(cls, shape: tuple[int, int], spacing: float, rng: np.random.Generator, periodic: bool) -> _Stones:
        distance, number = cells(shape, spacing, rng, periodic=periodic)
        sizes, tops = rng.uniform(0.5, 1.0, 256), rng.uniform(0.45, 1.0, 256)
        return cls(distance, number, sizes, tops, np.exp(rng.normal(0.0, 0.3, 256)))

    def height(self, rough: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the height 0…1, and what it was before they broke off flat."""
        distance = self.distance + np.float32(0.025) * rough
        distance *= by_cell(self.number, 1 / self.sizes)
        peak, top = np.float32(1.5) * domes(distance, 0.95), by_cell(self.number, self.tops)
        flat = np.minimum(peak, 1.0)
        flat *= top
        peak *= top
        return flat, peak

    def face(self) -> FloatArray:
        """Return the light that the faces catch, one value a stone."""
        return by_cell(self.number, self.faces)
