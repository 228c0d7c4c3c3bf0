"""A wall, as people photograph one to look for dust."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray, check_kind, finest_detail, pick_kind, scene_span
from .bent import bent_rows, summed_rows
from .canvas import Texture, canvas_shape, crisp, full_size, widened
from .noise import Spectrum, field_rows, tile, tile_side
from .raster import blended, blur, colour, slope, smoothstep
from .screen import vignette
from .tiles import Patchwork

KINDS = ("plaster", "concrete")

PLASTER = colour(0.56, 0.54, 0.50)
CONCRETE = colour(0.36, 0.355, 0.34)
"""Linear sRGB of white-washed plaster and of bare concrete, exposed to the right of the middle."""

DAMP = colour(1.04, 0.99, 0.92)
"""What damp makes of the colour of concrete."""

HOLE_REACH = 8
"""Samples from the middle of the largest hole to beyond its soft edge."""

Face = Callable[[slice], tuple[FloatArray, FloatArray]]
"""Gives the light on rows of the canvas, and how much of it falls on damp."""


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
        light = vignette(canvas, rng, rng.uniform(0.85, 1.15))
        grain = tile(tile_side(shape), Spectrum(0.6, 50.0, 2.3), rng)
        tint = PLASTER if kind == "plaster" else CONCRETE

        def rows(part: slice) -> FloatArray:
            lit, damp = wall(part)
            lit *= light(part)
            damp *= lit
            return blended((lit, damp), (tint, tint * (DAMP - 1)))

        return full_size(rows, shape, rng, Texture(Patchwork(grain), 0.022 if kind == "plaster" else 0.04))


def _plaster(shape: tuple[int, int], rng: np.random.Generator) -> Face:
    """Return trowel marks and grit, lit from the side so that every bump shows."""
    span, light_deg = scene_span(shape), rng.uniform(0.0, 360.0)
    trowel = (1.0, Spectrum(1.8, 90.0, 3.0, 2.5, rng.uniform(0, 180)), 150.0)
    grit = (0.16, Spectrum(0.9, 14.0, 2.0), 0.0)
    strength = -rng.uniform(0.12, 0.3)
    bumps = summed_rows(shape, [trowel, grit], rng, look=lambda height: crisp(slope(height, light_deg, strength)))
    uneven = field_rows(shape, Spectrum(1.8, 0.8 * span, 32.0), rng, lambda field: np.float32(0.03) * field)

    def rows(part: slice) -> tuple[FloatArray, FloatArray]:
        light = bumps(part) + uneven(part)
        return np.exp(light, out=light), np.zeros_like(light)

    return rows


def _concrete(shape: tuple[int, int], rng: np.random.Generator) -> Face:
    """Return blotches of damp and cement, and holes of 2…12 px that the light doesn't reach into."""
    span = scene_span(shape)
    blotches = bent_rows(shape, Spectrum(1.5, 0.35 * span, finest_detail(span)), rng, bend_px=0.15 * span)
    grit = field_rows(shape, Spectrum(0.7, 12.0, 2.0), rng)
    depth = np.float32(rng.uniform(0.5, 1.2) / 255)
    holes = _holes(shape, rng)

    def rows(part: slice) -> tuple[FloatArray, FloatArray]:
        wide, inner = widened(part, 1, shape[0])
        blotch = blotches(wide)
        log_light = np.float32(0.07) * blotch
        log_light += np.float32(0.035) * grit(wide)
        log_light -= depth * holes[wide]
        return crisp(np.exp(log_light, out=log_light))[inner], smoothstep(blotch[inner], -1, 2)

    return rows


def _holes(shape: tuple[int, int], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Return 0…255: round holes, the larger the rarer."""
    holes = np.zeros([side + 2 * HOLE_REACH for side in shape], dtype=np.uint8)
    flat, around = holes.reshape(-1), np.arange(-HOLE_REACH, HOLE_REACH + 1)
    distance = np.hypot(around, around[:, None]).astype(np.float32)
    for radius, spacing in ((1.0, 28.0), (2.0, 70.0), (3.6, 160.0)):
        count = int(rng.poisson(shape[0] * shape[1] / (spacing * rng.uniform(0.8, 1.6)) ** 2))
        row, column = (rng.integers(HOLE_REACH, HOLE_REACH + side, count) for side in shape)
        middle = row * holes.shape[1] + column
        stamp = np.rint(255 * blur(smoothstep(distance, 1.5 * radius, 0.6 * radius), 0.6)).astype(np.uint8)
        for y, x in np.argwhere(stamp):
            at = middle + (y - HOLE_REACH) * holes.shape[1] + (x - HOLE_REACH)
            flat[at] = np.maximum(flat[at], stamp[y, x])
    return holes[HOLE_REACH:-HOLE_REACH, HOLE_REACH:-HOLE_REACH]
