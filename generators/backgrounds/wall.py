"""A wall, as people photograph one to look for dust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .canvas import Painting, Texture, canvas_shape, full_size, widened
from .cells import cell_distance
from .noise import Spectrum, bent_rows, field, field_rows, tile, tile_side
from .raster import Rows, blur, colour, mix, slope, smoothstep
from .screen import vignette
from .tiles import Patchwork

KINDS = ("plaster", "concrete")

PLASTER = colour(0.56, 0.54, 0.50)
CONCRETE = colour(0.36, 0.355, 0.34)
"""Linear sRGB of white-washed plaster and of bare concrete, exposed to the right of the middle."""


HOLE_EDGE = 4
"""Samples, more than the blur of a hole's edge reaches."""


@dataclass(frozen=True, slots=True)
class Wall:
    """A plain wall in raking light, in focus.

    Attributes
    ----------
    kind
        ``"plaster"`` (trowelled, faintly uneven), ``"concrete"`` (blotches, and air holes as round and dark
        as dust) or ``"mixed"``, one of the two by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("wall", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        canvas = canvas_shape(shape)
        wall = _plaster(canvas, rng) if kind == "plaster" else _concrete(canvas, rng)
        light, exposure = vignette(canvas, rng), np.float32(rng.uniform(0.85, 1.15))
        grain = tile(tile_side(shape), Spectrum(0.6, 50.0, 2.3), rng)

        def rows(part: slice) -> FloatArray:
            planes = wall(part)
            planes *= light(part) * exposure
            return planes

        return full_size(rows, shape, rng, Texture(Patchwork(grain), 0.022 if kind == "plaster" else 0.04))


def _plaster(shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    """Return trowel marks and grit, lit from the side so that every bump shows."""
    span, light_deg = scene_span(shape), rng.uniform(0.0, 360.0)
    trowel = bent_rows(shape, Spectrum(1.8, 90.0, 3.0, 2.5, rng.uniform(0, 180)), rng, bend_px=150.0)
    grit = field(shape, Spectrum(0.9, 14.0, 2.0), rng)
    strength = np.float32(-rng.uniform(0.12, 0.3))
    uneven = field_rows(shape, Spectrum(1.8, 0.8 * span, 16.0), rng)

    def rows(part: slice) -> FloatArray:
        wide, inner = widened(part, 1, shape[0])
        light = slope(trowel(wide) + np.float32(0.16) * grit[wide], light_deg)[inner]
        light *= strength
        light += np.float32(0.03) * uneven(part)
        return np.asarray(PLASTER * np.exp(light, out=light), dtype=np.float32)

    return rows


def _concrete(shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    """Return blotches of damp and cement, and holes of 2…12 px that the light doesn't reach into."""
    span = scene_span(shape)
    blotches = bent_rows(shape, Spectrum(1.5, 0.35 * span, 2.0), rng, bend_px=0.15 * span)
    grit = field(shape, Spectrum(0.7, 12.0, 2.0), rng)
    depth = np.float32(rng.uniform(0.5, 1.2))
    holes = _holes(shape, rng)

    def rows(part: slice) -> FloatArray:
        blotch = blotches(part)
        log_light = np.float32(0.07) * blotch
        log_light += np.float32(0.035) * grit[part]
        log_light -= depth * holes(part)
        wall = mix(CONCRETE, CONCRETE * colour(1.04, 0.99, 0.92), smoothstep(blotch, -1, 2))
        wall *= np.exp(log_light, out=log_light)
        return wall

    return rows


def _holes(shape: tuple[int, int], rng: np.random.Generator) -> Rows:
    """Return what gives 0…1: round holes, the larger the rarer."""
    sizes = []
    for radius, spacing in ((1.0, 28.0), (2.0, 70.0), (3.6, 160.0)):
        apart = spacing * rng.uniform(0.8, 1.6)
        sizes.append((radius / apart, cell_distance(shape, apart, rng)))

    def rows(part: slice) -> FloatArray:
        wide, inner = widened(part, HOLE_EDGE, shape[0])
        filled = [smoothstep(distance[wide], 0.6 * radius, 1.5 * radius) for radius, distance in sizes]
        return blur(np.maximum(1 - np.minimum.reduce(filled), 0), 0.6)[inner]

    return rows
