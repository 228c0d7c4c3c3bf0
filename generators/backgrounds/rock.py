"""Bare rock: cracked limestone, granite with lichen, and scree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, finest_detail, pick_kind, scene_span
from .bent import bent_rows
from .canvas import Painting, Texture, canvas_shape, crisp, full_size, widened
from .joints import Joints
from .lichen import Lichens
from .noise import Spectrum, field_rows, tile, tile_side
from .raster import blended, cached, colour, in_cache, smoothstep
from .scree import scree
from .stone import DARK, GREY, OCHRE, PALE, relief_light, shading
from .tiles import Patchwork

KINDS = ("limestone", "granite", "scree")

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
        painter = {"limestone": _limestone, "granite": _granite, "scree": scree}[kind]
        canvas = canvas_shape(shape)
        painting = painter(canvas, rng.uniform(0.9, 1.35), rng)
        grain = tile(tile_side(shape), Spectrum(0.75, 60.0, 2.3), rng)
        texture = Texture(Patchwork(grain), 0.08 if kind == "granite" else 0.055)

        return full_size(painting, shape, rng, texture, most=1.0)


def _limestone(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Painting:
    span, sun_deg, dip = scene_span(shape), rng.uniform(50.0, 130.0), rng.uniform(-25.0, 25.0)
    bedding = bent_rows(shape, Spectrum(1.9, 0.25 * span, 2.0, 2.5, dip), rng, bend_px=0.2 * span)
    roughness = bent_rows(shape, Spectrum(2.2, 120.0, 2.0, 1.3, dip), rng, bend_px=120.0)
    across = Joints(dip + rng.uniform(55, 125), rng.uniform(120, 300), rng.uniform(1.0, 2.6)).draw(shape, rng)
    along = Joints(dip, rng.uniform(150, 400), rng.uniform(1.0, 2.2)).draw(shape, rng)
    joints = across.beside(along)
    raised, sunlit = joints.blocks(sun_deg)
    grooves, shade = joints.grooves(), shading(shape, sun, rng)
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
        light = relief_light(light, sun_deg, 0.35)
        light *= joints.open_rock(wide)
        light = crisp(light)[inner]
        return in_cache(samples, light, sunlit(part), shade(part), beds[inner], rough[inner], stain(part))

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


def _granite(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Painting:
    """Sheets that come off in shells, coarse grain, runs of dark water, pale scars, and crusts in colonies."""
    span, sun_deg = scene_span(shape), rng.uniform(40.0, 140.0)
    swelling = bent_rows(shape, Spectrum(2.3, 0.5 * span, max(finest_detail(span), 4.0), 1.5), rng, bend_px=0.3 * span)
    grains = field_rows(shape, Spectrum(1.2, 40.0, 2.0), rng)
    angle = rng.uniform(0, 180)
    joints = Joints(angle, rng.uniform(200, 500), rng.uniform(1.2, 3.5)).draw(shape, rng)
    joints = joints.beside(Joints(angle + rng.uniform(60, 120), rng.uniform(400, 900), 1.5).draw(shape, rng))
    raised, sunlit = joints.blocks(sun_deg)
    grooves, shade = joints.grooves(), shading(shape, sun, rng)
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
        light = relief_light(height, sun_deg, 0.55)
        light *= joints.open_rock(wide)
        light, grain = crisp(light)[inner], grain[inner]
        stone = in_cache(minerals, light, sunlit(part), shade(part), grain, streaks(part))
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
