"""Mist: nothing but grey, or ridges that fade into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .canvas import Texture, canvas_shape, full_size
from .noise import Spectrum, bent_field, field, tile, tile_side
from .raster import colour, mix, rows, smoothstep
from .tiles import Patchwork

KINDS = ("veil", "ridges")

VEIL = colour(0.57, 0.59, 0.61)
"""Cloud from inside, in daylight."""

WOOD = colour(0.030, 0.036, 0.030)
"""Conifers against the light, without any mist before them."""


@dataclass(frozen=True, slots=True)
class Mist:
    """Hill fog.

    Attributes
    ----------
    kind
        ``"veil"`` (slow unevenness of a few per cent and no more), ``"ridges"`` (wooded ridges, one behind
        the other, each paler than the one before) or ``"mixed"``, one of the two by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("mist", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        canvas = canvas_shape(shape)
        veil = _veil(canvas, rng)
        if kind == "veil":
            return full_size(veil, shape, rng)
        painting, detail = _ridges(veil, rng)
        leaves = tile(tile_side(shape), Spectrum(0.9, 40.0, 2.3, 1.5, 90.0), rng)
        return full_size(painting, shape, rng, Texture(Patchwork(leaves), detail))


def _veil(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Return planes of lit mist: brighter upwards, with drifting swathes."""
    span = scene_span(shape)
    light = bent_field(shape, Spectrum(2.4, 0.8 * span, 12.0, 2.0), rng, bend_px=0.6 * span)
    light *= np.float32(rng.uniform(0.02, 0.07))
    light -= np.float32(rng.uniform(-0.05, 0.35)) * rows(shape)
    light = np.exp(light, out=light)
    light *= np.float32(rng.uniform(0.85, 1.2))
    return np.asarray(VEIL * light, dtype=np.float32)


def _ridges(veil: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Return the veil with ridges in it and the strength of the leaves' texture at every sample."""
    shape = (veil.shape[1], veil.shape[2])
    detail = np.zeros(shape, dtype=np.float32)
    layers = int(rng.integers(3, 6))
    for layer in range(layers):
        near = (layer + 1) / layers
        top = shape[0] * (0.15 + 0.75 * (layer + rng.uniform(0.0, 0.6)) / layers)
        cover = _ridge(shape, top, near, rng)
        # Koschmieder: what is seen of a thing through mist falls exponentially with distance (from memory).
        seen = np.float32(0.85 * near**2.2)
        pooled = cover * _clearing(shape, top, rng)
        veil = mix(veil, WOOD + (VEIL - WOOD) * (1 - seen), pooled)
        foliage = 0.04 * float(seen)  # contrast of leaves in absolute light, behind this much mist
        detail += pooled * (np.float32(foliage / (0.6 - 0.57 * float(seen))) - detail)
    return veil, detail


def _ridge(shape: tuple[int, int], top: float, near: float, rng: np.random.Generator) -> FloatArray:
    """Return 1 below a skyline of tree tops, 0 above; trees stand taller on nearer ridges."""
    w, size = shape[1], 4.0 + 22.0 * near**1.5
    hill = field((16, w), Spectrum(2.2, 1.2 * w, 2.0), rng)[8] * np.float32(0.06 * shape[0])
    at = np.arange(w)
    skyline = np.zeros(w)
    for _ in range(int(1.6 * w / (0.45 * size)) + 1):
        middle, height = rng.uniform(0, w), size * rng.uniform(0.45, 1.0) ** 0.7
        low, high = (int(np.clip(middle + side * 0.3 * height, 0, w)) for side in (-1, 1))
        cone = height * (1 - np.abs(at[low:high] - middle) / (0.3 * height + 0.5))
        skyline[low:high] = np.maximum(skyline[low:high], cone)
    ragged = field((16, w), Spectrum(0.5, 8.0, 2.0), rng)[8] * np.float32(0.05 * size)
    edge = (top + hill - skyline + ragged).astype(np.float32)
    down: FloatArray = np.arange(shape[0], dtype=np.float32)[:, None] - edge
    down += np.float32(0.5)
    np.clip(down, 0, 1, out=down)
    return down


def _clearing(shape: tuple[int, int], top: float, rng: np.random.Generator) -> FloatArray:
    """Return how clear a ridge stands: 1 at its skyline, less where mist lies at its foot."""
    span = scene_span(shape)
    below = (np.arange(shape[0], dtype=np.float32)[:, None] - np.float32(top)) / np.float32(0.35 * shape[0])
    swathes = bent_field(shape, Spectrum(2.0, 0.4 * span, 12.0, 2.5), rng, bend_px=0.3 * span)
    return 1 - np.float32(0.8) * smoothstep(below + np.float32(0.25) * swathes, 0.15, 1.1)
