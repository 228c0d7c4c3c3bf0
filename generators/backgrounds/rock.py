"""Bare rock: cracked limestone, granite with lichen, and scree."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray, check_kind, pick_kind, scene_span
from .bent import bent_rows
from .canvas import Painting, Texture, canvas_shape, crisp, full_size, widened
from .cells import by_cell, cells, domes
from .joints import Joints
from .lichen import Lichens
from .noise import Spectrum, field_rows, tile, tile_side
from .raster import Rows, blended, cached, colour, in_cache, shifted, slope, smoothstep
from .tiles import Patchwork

KINDS = ("limestone", "granite", "scree")

PALE, GREY, OCHRE, DARK = (
    colour(0.36, 0.34, 0.31),
    colour(0.22, 0.21, 0.20),
    colour(0.30, 0.22, 0.13),
    colour(0.07, 0.065, 0.06),
)
"""Linear sRGB of weathered limestone, granite, iron stain and wet or shaded stone in full light."""

SCAR = colour(0.33, 0.285, 0.25)
"""Granite where a shell has come off lately, a little red."""

GROOVE_DEPTH = 12.0
"""How deep a crack's weathered edges are, samples."""


@dataclass(frozen=True, slots=True)
class Rock:
    """A rock face or a slope of stones in slanting light.

    Attributes
    ----------
    kind
        ``"limestone"`` (bedding, dark cracks), ``"granite"`` (coarse grain, round lichens that look like
        dust), ``"scree"`` (stones with dark gaps) or ``"mixed"``, one of the three by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("rock", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        painter = {"limestone": _limestone, "granite": _granite, "scree": _scree}[kind]
        canvas = canvas_shape(shape)
        painting = painter(canvas, rng.uniform(0.9, 1.35), rng)
        grain = tile(tile_side(shape), Spectrum(0.75, 60.0, 2.3), rng)
        texture = Texture(Patchwork(grain), 0.08 if kind == "granite" else 0.055)

        return full_size(painting, shape, rng, texture, most=1.0)


def _shading(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Rows:
    """Return what gives the light on the whole face: parts of it turn from the sun or are wet."""
    contrast = np.float32(rng.uniform(0.25, 0.5))
    mean = np.float32(math.log(sun) - 0.35)
    waves = Spectrum(1.7, 0.4 * scene_span(shape), 16.0, 1.3)
    return field_rows(shape, waves, rng, lambda field: np.exp(contrast * field + mean))


def _relief_light(height: FloatArray, sun_deg: float, strength: float) -> FloatArray:
    """Return exp(tanh(strength · slope)): light on a rough face, less where it turns from the sun."""
    tilt = slope(height, sun_deg, -strength)
    gain = np.tanh(tilt, out=tilt)
    gain *= np.float32(0.75)
    return np.exp(gain, out=gain)


def _limestone(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Painting:
    span, sun_deg, dip = scene_span(shape), rng.uniform(50.0, 130.0), rng.uniform(-25.0, 25.0)
    bedding = bent_rows(shape, Spectrum(1.9, 0.25 * span, 8.0, 2.5, dip), rng, bend_px=0.2 * span)
    roughness = bent_rows(shape, Spectrum(2.2, 120.0, 2.0, 1.3, dip), rng, bend_px=120.0)
    across = Joints(dip + rng.uniform(55, 125), rng.uniform(120, 300), rng.uniform(1.0, 2.6)).draw(shape, rng)
    along = Joints(dip, rng.uniform(150, 400), rng.uniform(1.0, 2.2)).draw(shape, rng)
    joints = across.beside(along)
    raised, sunlit = joints.blocks(sun_deg)
    grooves, shading = joints.grooves(), _shading(shape, sun, rng)
    throw = np.float32(rng.uniform(0.3, 0.8))
    stains = Spectrum(1.4, 0.3 * span, 8.0, 1.5, 90.0)
    stain = field_rows(shape, stains, rng, lambda field: smoothstep(field, -0.3, 2.4))

    def samples(
        light: FloatArray, left: FloatArray, sun: FloatArray, beds: FloatArray, *rest: FloatArray
    ) -> FloatArray:
        rough, grey = rest
        light *= left
        light *= sun
        light *= 1 - np.float32(0.65) * smoothstep(rough, 0.0, -1.8)  # hollows see less of the sky
        ochre = np.float32(0.4) * smoothstep(beds, 0.9, 2.2)
        ochre *= light
        light -= ochre
        grey *= light
        light -= grey
        return blended((light, grey, ochre), (PALE, GREY, OCHRE))

    def rows(part: slice) -> FloatArray:
        wide, inner = widened(part, 2, shape[0])
        beds, rough, flanks = bedding(wide), roughness(wide), grooves(wide)
        block = raised(wide)
        light = np.empty_like(beds)
        for some in cached(light.shape):
            light[some] = _limestone_height(beds[some], rough[some], throw * block[some], flanks[some])
        light = _relief_light(light, sun_deg, 0.35)
        light *= joints.open_rock(wide)
        light = crisp(light)[inner]
        return in_cache(samples, light, sunlit(part), shading(part), beds[inner], rough[inner], stain(part))

    return rows


def _limestone_height(beds: FloatArray, rough: FloatArray, blocks: FloatArray, flanks: FloatArray) -> FloatArray:
    """Return the height in samples; beds end at a crack and go on at another height."""
    height = np.float32(0.10) * rough
    height += beds
    height += blocks
    height = np.float32(13.0) * _ledges(height)
    blocks *= np.float32(30.0)
    height += blocks
    height -= np.float32(GROOVE_DEPTH) * flanks
    folds = np.abs(rough)  # folded about zero: faces that meet in creases
    folds *= np.float32(7.0)
    height += folds
    return height


def _ledges(beds: FloatArray) -> FloatArray:
    """Return beds that end in steps: half of the height in ledges, half in slopes between them."""
    layers = np.float32(2.2) * beds
    whole = np.floor(layers)
    layers -= whole
    ledge = smoothstep(layers, 0.0, 0.25)
    ledge += np.float32(0.5) * layers
    ledge += whole
    ledge *= np.float32(1 / 2.2)
    return ledge


def _granite(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Painting:
    """Sheets that come off in shells, coarse grain, runs of dark water, pale scars, and crusts in colonies."""
    span, sun_deg = scene_span(shape), rng.uniform(40.0, 140.0)
    swelling = bent_rows(shape, Spectrum(2.3, 0.5 * span, 8.0, 1.5), rng, bend_px=0.3 * span)
    grains = field_rows(shape, Spectrum(1.2, 40.0, 2.0), rng)
    angle = rng.uniform(0, 180)
    joints = Joints(angle, rng.uniform(200, 500), rng.uniform(1.2, 3.5)).draw(shape, rng)
    joints = joints.beside(Joints(angle + rng.uniform(60, 120), rng.uniform(400, 900), 1.5).draw(shape, rng))
    raised, sunlit = joints.blocks(sun_deg)
    grooves, shading = joints.grooves(), _shading(shape, sun, rng)
    throw = np.float32(rng.uniform(9.0, 20.0))
    streaks = bent_rows(shape, Spectrum(1.7, 0.35 * span, 16.0, 3.5, 90.0), rng, bend_px=0.2 * span)
    shells, wet = np.float32(rng.uniform(2.0, 6.0)), np.float32(rng.uniform(0.3, 0.75))
    lichens = Lichens.scattered(shape, rng)

    def minerals(light: FloatArray, left: FloatArray, sun: FloatArray, *rest: FloatArray) -> FloatArray:
        grain, runs = rest
        light *= left
        light *= sun
        return blended([light * share for share in _minerals(grain, runs, wet)], (GREY, PALE, DARK, SCAR))

    def rows(part: slice) -> FloatArray:
        wide, inner = widened(part, 2, shape[0])
        swell, grain, flanks, block = swelling(wide), grains(wide), grooves(wide), raised(wide)
        height = np.empty_like(swell)
        for some in cached(height.shape):
            height[some] = _ledges(np.float32(0.6) * swell[some] + np.float32(0.02) * grain[some])
            height[some] *= shells
            height[some] += np.float32(10.0) * swell[some]
            height[some] += np.float32(0.35) * grain[some]
            height[some] += throw * block[some]
            height[some] -= np.float32(GROOVE_DEPTH) * flanks[some]
        light = _relief_light(height, sun_deg, 0.55)
        light *= joints.open_rock(wide)
        light, grain = crisp(light)[inner], grain[inner]
        stone = in_cache(minerals, light, sunlit(part), shading(part), grain, streaks(part))
        lichens.grow(stone, part, (light, grain))
        return stone

    return rows


def _minerals(grain: FloatArray, runs: FloatArray, wet: np.float32) -> tuple[FloatArray, ...]:
    """Return the shares of grey, pale and dark stone and of scars; where water runs all but scars are darker."""
    minerals = np.float32(0.35) * runs
    minerals += grain
    dark = smoothstep(minerals, 0.7, 1.6)
    dark *= np.float32(0.6)
    grey = 1 - dark
    pale = smoothstep(minerals, -0.2, -1.6)
    pale *= grey
    grey -= pale
    scars = smoothstep(runs, -0.5, -2.0)
    scars *= np.float32(0.6)
    left = smoothstep(runs, 0.4, 1.9)
    left *= -wet
    left += np.float32(1)
    left *= 1 - scars
    return left * grey, left * pale, left * dark, scars


def _scree(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Painting:
    """Angular stones of several sizes, the small ones between the large; gaps are black."""
    sun_deg, spacing = rng.uniform(40.0, 140.0), rng.uniform(12.0, 26.0)
    roughness = bent_rows(shape, Spectrum(1.2, 30.0, 2.0), rng, bend_px=40.0)
    layers = [_Stones.scattered(shape, size, rng) for size in (spacing, spacing / 2.8)]
    kinds = field_rows(shape, Spectrum(1.0, 60.0, 2.0), rng)
    shading = _shading(shape, sun, rng)
    c, s = np.cos(np.radians(sun_deg)), np.sin(np.radians(sun_deg))

    def rows(part: slice) -> FloatArray:
        wide, inner = widened(part, math.ceil(0.2 * spacing) + 3, shape[0])
        rough = roughness(wide)
        large, pebbles = (each.height(wide, rough) for each in layers)
        pebbles *= np.float32(0.5)
        over = smoothstep(large - pebbles, -0.02, 0.06)
        height = np.maximum(large, pebbles, out=large)
        light = smoothstep(height, 0.0, 0.5)
        light *= np.float32(0.86)
        light += np.float32(0.14)
        light *= _relief_light(height + np.float32(0.05) * rough, sun_deg, 0.3 * spacing)
        behind = shifted(height, 0.2 * spacing * c, -0.2 * spacing * s)
        behind -= height
        light *= 1 - np.float32(0.55) * smoothstep(behind, 0.15, 0.5)
        upper, lower = (each.face(wide) for each in layers)
        light *= lower + over * (upper - lower)
        light = crisp(light)[inner]
        light *= shading(part)
        kind = kinds(part)
        ochre = np.float32(0.35) * smoothstep(kind, 0.8, 2.4)
        ochre *= light
        light -= ochre
        pale = smoothstep(kind, -1.0, 2.0)
        pale *= light
        return blended((light - pale, pale, ochre), (GREY, PALE, OCHRE))

    return rows


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
    def scattered(cls, shape: tuple[int, int], spacing: float, rng: np.random.Generator) -> _Stones:
        distance, number = cells(shape, spacing, rng)
        sizes, tops = rng.uniform(0.5, 1.0, 256), rng.uniform(0.45, 1.0, 256)
        return cls(distance, number, sizes, tops, np.exp(rng.normal(0.0, 0.3, 256)))

    def height(self, rows: slice, rough: FloatArray) -> FloatArray:
        """Return the height 0…1 of some rows."""
        distance = self.distance[rows] + np.float32(0.025) * rough
        distance *= by_cell(self.number[rows], 1 / self.sizes)
        top = np.float32(1.5) * domes(distance, 0.95)
        np.minimum(top, 1.0, out=top)  # broken off flat
        top *= by_cell(self.number[rows], self.tops)
        return top

    def face(self, rows: slice) -> FloatArray:
        """Return the light that the faces in some rows catch, one value a stone."""
        return by_cell(self.number[rows], self.faces)
