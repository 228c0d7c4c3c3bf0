"""Heath, gorse and rough pasture: texture that drowns the shadows of dust."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray, check_kind, in_wide, pick_kind, scene_span
from .bent import bent_plane, bent_rows, look_over, summed_rows
from .canvas import SAMPLE_PX, Texture, canvas_shape, crisp, full_size
from .cells import by_cell, cell_distance, cells, domes
from .noise import Spectrum, field_rows, tile, tile_side
from .piles import piled_rows
from .points import power_law, scattered
from .raster import blended, colour, in_cache, mix, shifted, slope, smoothstep
from .tiles import Patchwork
from .tint import Tint
from .view import View

KINDS = ("heath", "plain", "gorse")

OLIVE, STRAW, RUST, HEATHER, EARTH, NEEDLES = (
    colour(0.120, 0.125, 0.042),
    colour(0.270, 0.215, 0.095),
    colour(0.175, 0.098, 0.045),
    colour(0.150, 0.095, 0.092),
    colour(0.110, 0.080, 0.055),
    colour(0.085, 0.110, 0.035),
)
"""Linear sRGB of foliage, dead grass, bracken, heather in flower, bare ground and gorse in full light."""

HILLSIDE = View(0.7, 1.4)
"""A slope seen from across a valley: what is at the top is twice as far as what is at the bottom."""

DARKEST = 0.02
"""Least share of the light in the depth of a bush."""

FLOWER = np.array((0.75, 0.52, 0.02), dtype=np.float32)
"""Light that a gorse flower adds."""


@dataclass(frozen=True, slots=True)
class Scrub:
    """A hillside of low bushes, or rough grass, seen from across the valley.

    Attributes
    ----------
    kind
        ``"heath"`` (clumps with dark gaps 8…60 px wide, the size of dust shadows), ``"plain"`` (rough dry
        grass without clumps), ``"gorse"`` (round bushes with black gaps between them) or ``"mixed"``, one of
        them by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("scrub", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        return {"heath": _heath, "plain": _grass, "gorse": _gorse}[kind](shape, rng)


def _heath(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    canvas = canvas_shape(shape)
    span, sun_deg = scene_span(canvas), rng.uniform(35.0, 145.0)
    clumps = (0.8, Spectrum(1.9, 48.0, 3.0, 1.6), 75.0)
    sprays = (0.45, Spectrum(1.5, 13.0, 2.0, 1.3), 30.0)
    growth = summed_rows(canvas, [clumps, sprays], rng, view=HILLSIDE, look=lambda height: _bushes(height, sun_deg))
    finest = in_wide(canvas, 32.0, else_=16.0)
    stands = bent_rows(canvas, Spectrum(1.6, 0.3 * span, finest, 3.0), rng, bend_px=100.0, view=HILLSIDE)
    sun = np.float32(rng.uniform(1.2, 1.8))
    kinds = field_rows(canvas, Spectrum(1.15, 0.25 * span, 16.0, 1.5), rng, lambda field: smoothstep(field, -0.6, 1.8))
    bare = field_rows(canvas, Spectrum(1.2, 60.0, finest / 2, 1.5), rng, lambda field: smoothstep(field, -1.0, 1.5))
    colours = [sun * tint for tint in (STRAW, EARTH, OLIVE, RUST if rng.random() < 0.5 else HEATHER)]

    def weights(light: FloatArray, stand: FloatArray, soil: FloatArray, kind: FloatArray) -> tuple[FloatArray, ...]:
        stand += np.float32(0.45) * light
        cover = smoothstep(stand, -1.3, -0.1)
        light *= np.float32(0.27) + np.float32(0.83) * cover
        ground = np.exp(light, out=light)
        cover *= np.float32(0.85)
        cover *= ground
        ground -= cover
        soil *= ground
        ground -= soil
        kind *= cover
        cover -= kind
        return ground, soil, cover, kind

    def rows(part: slice) -> FloatArray:
        return in_cache(weights, colours, growth(part), stands(part), bare(part), kinds(part))

    return full_size(rows, shape, rng, _twigs(shape, rng))


def _bushes(height: FloatArray, sun_deg: float) -> FloatArray:
    """Return the log of the light on bushes of that height where they stand close."""
    light = _depth_light(height)
    light *= _cast_shadow(height, sun_deg)
    light *= _leaning_light(height, sun_deg, -1.25)
    return np.log(np.maximum(crisp(crisp(light)), DARKEST))  # once more for the look along a slope


def _twigs(shape: tuple[int, int], rng: np.random.Generator) -> Texture:
    """Return crossing twigs a pixel or two wide, with tips that catch the sun."""
    side = tile_side(shape)
    twigs = np.maximum(
        tile(side, Spectrum(1.0, 14.0, 2.4, 3.0, rng.uniform(40, 70)), rng),
        tile(side, Spectrum(1.0, 14.0, 2.4, 3.0, rng.uniform(105, 140)), rng),
    )
    log_light = np.float32(0.28) * twigs + np.log1p(np.float32(0.7) * smoothstep(twigs, 1.5, 3.2))
    return Texture(Patchwork(log_light - log_light.mean(), overlap=32), 1.0)


def _leaning_light(height: FloatArray, sun_deg: float, strength: float) -> FloatArray:
    """Return the gain exp(½ tanh(strength · slope)) of a rough surface lit from the side."""
    tilt = slope(height, sun_deg, strength)
    gain = np.tanh(tilt, out=tilt)
    gain *= np.float32(0.5)
    return np.exp(gain, out=gain)


def _depth_light(height: FloatArray) -> FloatArray:
    """Return the share of skylight that reaches down between bushes: hollows under cover are dark."""
    light = smoothstep(height, -1.25, 0.15)
    light *= np.float32(0.86)
    light += np.float32(0.14)
    return light


def _cast_shadow(height: FloatArray, sun_deg: float) -> FloatArray:
    """Return 1 in the sun, down to 0.4 where something taller stands a few samples towards the sun."""
    c, s = np.cos(np.radians(sun_deg)), np.sin(np.radians(sun_deg))
    near = shifted(height, 2.5 * c, -2.5 * s)
    near += np.float32(0.3)  # light slants down: what is further off must be taller
    rise = np.maximum(near, shifted(height, 5.5 * c, -5.5 * s), out=near)
    rise -= height
    shade = smoothstep(rise, 0.65, 1.35)
    shade *= np.float32(-0.6)
    shade += np.float32(1)
    return shade


def _gorse(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Round bushes of several sizes; where they meet, gaps as dark and as wide as dust."""
    canvas = canvas_shape(shape)
    sun_deg, spacing = rng.uniform(40.0, 140.0), rng.uniform(20.0, 32.0)
    bushes = piled_rows(canvas, partial(_cushions, spacing, sun_deg, rng), rng)
    tint = Tint(canvas, 4, rng)
    cover = smoothstep(tint.field(Spectrum(1.6, 0.3 * scene_span(canvas), 16.0, 2.0)), -1.45, -0.95)
    kinds = tint.field(Spectrum(1.2, 80.0, 16.0))
    colours = mix(STRAW, mix(NEEDLES, OLIVE, smoothstep(kinds, -1.5, 1.5)), np.float32(0.9) * cover)
    colours *= np.float32(rng.uniform(1.5, 2.1))
    covered, ground = tint.rows(cover), tint.lit(colours)
    flowers = _Flowers.scattered(canvas, tint, rng)

    def rows(part: slice) -> FloatArray:
        light = bushes(part)
        light -= np.float32(1)
        light *= covered(part)
        light += np.float32(1)
        painting = ground(part, light)
        flowers.lay(painting, light, part)
        return painting

    return full_size(rows, shape, rng, replace(_twigs(shape, rng), amount=0.7))


@dataclass(frozen=True, slots=True)
class _Flowers:
    """Yellow specks, a sample wide, mostly where some bushes are in bloom.

    Attributes
    ----------
    rows, columns
        Their places in the canvas, from top to bottom.
    light
        Their light in full light.
    """

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    light: FloatArray

    @classmethod
    def scattered(cls, canvas: tuple[int, int], tint: Tint, rng: np.random.Generator) -> _Flowers:
        blooms = smoothstep(tint.field(Spectrum(1.6, 160.0, 16.0)), 0.2, 2.0)
        x, y = scattered(canvas, rng.uniform(0.0, 9000.0) * SAMPLE_PX**2, rng)
        light = tint.at(blooms, x, y)
        order = np.argsort(y, kind="stable")
        order = order[light[order] > 0.1]
        light = light[order] * (1 + power_law(rng.random(len(order), dtype=np.float32), 2.0, largest=4.0))
        light *= np.float32(1 / SAMPLE_PX**2)
        return cls(np.rint(y[order]).astype(np.intp), np.rint(x[order]).astype(np.intp), light)

    def lay(self, painting: FloatArray, light: FloatArray, part: slice) -> None:
        """Add those in some rows of the canvas to its planes, in place, in the light there."""
        some = slice(*np.searchsorted(self.rows, (part.start, part.stop)))
        at = (self.rows[some] - part.start, self.columns[some])
        for plane, share in zip(painting, FLOWER, strict=True):
            np.add.at(plane, at, share * self.light[some] * light[at])


def _cushions(
    spacing: float, sun_deg: float, rng: np.random.Generator, shape: tuple[int, int], periodic: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the light on bushes that stand close, some darker than others, and their height, about 0…1."""
    ragged = bent_plane(shape, Spectrum(1.2, 14.0, 2.0), rng, bend_px=24.0, periodic=periodic)
    distance, number = cells(shape, spacing, rng, periodic=periodic)
    leaves = cell_distance(shape, spacing / 4, rng, periodic=periodic)
    shades = np.exp(rng.normal(0.0, 0.16, 256))
    height = domes(distance - np.float32(0.06) * ragged, 0.8)
    height += np.float32(0.22) * domes(leaves, 0.9)
    height += np.float32(0.10) * ragged

    def look(height: FloatArray, shade: FloatArray) -> FloatArray:
        light = smoothstep(height, 0.15, 0.85)
        light *= np.float32(0.9)
        light += np.float32(0.1)
        light *= _leaning_light(height, sun_deg, -0.35 * spacing)
        light *= shade
        return light

    return look_over(look, (height, by_cell(number, shades)), periodic), height


def _grass(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    canvas = canvas_shape(shape)
    span, side = scene_span(canvas), tile_side(shape)
    blades = np.maximum(
        tile(side, Spectrum(1.0, 30.0, 2.4, 4.0, 78.0), rng), tile(side, Spectrum(1.0, 30.0, 2.4, 4.0, 105.0), rng)
    )
    blades -= blades.mean()
    tufts = field_rows(canvas, Spectrum(1.1, 0.3 * span, 3.0, 2.0), rng)
    dry = field_rows(canvas, Spectrum(1.3, 0.4 * span, 8.0, 2.0), rng, lambda field: smoothstep(field, -0.5, 1.8))
    sun = np.float32(rng.uniform(1.1, 1.7))

    def rows(part: slice) -> FloatArray:
        light = np.float32(0.22) * tufts(part)
        light = np.exp(light, out=light)
        straw = light * dry(part)
        light -= straw
        return blended((light, straw), (sun * OLIVE, sun * STRAW))

    return full_size(rows, shape, rng, Texture(Patchwork(blades, overlap=48), 0.33))
