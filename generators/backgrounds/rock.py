"""Bare rock: cracked limestone, granite with lichen, and scree."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from .base import FloatArray, check_kind, finest_detail, pick_kind, scene_span
from .bent import bent_plane, lit_rows, look_over
from .canvas import Painting, Texture, canvas_shape, crisp, full_size
from .joints import BLOCK_STEP, Cracks, Joints, cracked
from .lichen import Lichens
from .noise import Spectrum, tile, tile_side
from .raster import Rows, colour, in_cache, sample_by_sample, smoothstep
from .scree import scree
from .stone import DARK, GREY, OCHRE, PALE, relief_light, shading
from .tiles import Patchwork
from .tint import Lit, Tint

KINDS = ("limestone", "granite", "scree")

SCAR = colour(0.33, 0.285, 0.25)
"""Granite where a shell has come off lately, a little red."""

SWELL = 5.0
"""How uneven a face of granite is, samples."""

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
        texture = Texture(Patchwork(grain, overlap=32), 0.08 if kind == "granite" else 0.055)

        return full_size(painting, shape, rng, texture)


def _limestone(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Painting:
    """Beds that end in ledges, creased faces, stains, and cracks along and across."""
    span, sun_deg, dip = scene_span(shape), rng.uniform(50.0, 130.0), rng.uniform(-25.0, 25.0)
    (creases,) = lit_rows(shape, partial(_creased, sun_deg, Spectrum(1.9, 150.0, 2.0, 2.2, dip), rng), rng)
    across = Joints(dip + rng.uniform(55, 125), rng.uniform(120, 300), rng.uniform(1.0, 2.6))
    along = Joints(dip, rng.uniform(150, 400), rng.uniform(1.0, 2.2))
    joints = cracked(shape, (across, along), rng)
    grid = Tint(shape, BLOCK_STEP, rng)
    beds = grid.bent(Spectrum(1.9, 0.25 * span, 12.0, 2.5, dip), bend_px=0.2 * span)
    block, sunlit = (grid.framed(plane) for plane in joints.blocks(sun_deg))
    shade = shading(grid, sun)
    throw = np.float32(rng.uniform(0.3, 0.8))
    stain = smoothstep(grid.field(Spectrum(1.4, 0.3 * span, 8.0, 1.5, 90.0)), -0.3, 2.4)

    def heights(beds: FloatArray, block: FloatArray) -> FloatArray:
        # Beds end at a crack and go on at another height.
        height = np.float32(13.0) * _ledges(beds + throw * block)
        height += np.float32(30.0) * throw * block
        return height

    def weights(
        light: FloatArray, left: FloatArray, sun: FloatArray, beds: FloatArray, grey: FloatArray
    ) -> tuple[FloatArray, ...]:
        light *= left
        light *= sun
        ochre = np.float32(0.4) * smoothstep(beds, 0.9, 2.2)
        ochre *= light
        light -= ochre
        grey *= light
        light -= grey
        return light, grey, ochre

    light = relief_light(sample_by_sample(heights, beds, block), sun_deg, 0.25 / grid.step)
    coarse = in_cache(weights, (PALE, GREY, OCHRE), light, sunlit, shade, beds, stain)
    return _face(grid.lit(coarse, _flanks(joints, sun_deg, 0.35, grid)), creases, joints)


def _creased(
    sun_deg: float, beds: Spectrum, rng: np.random.Generator, shape: tuple[int, int], periodic: bool
) -> list[FloatArray]:
    """Return the light on thin beds and on faces that meet in creases, folded about zero; hollows are darker."""

    def look(rough: FloatArray) -> FloatArray:
        height = np.float32(7.0) * np.abs(rough)
        height += np.float32(13.0) * _ledges(np.float32(0.4) * rough)
        light = relief_light(height, sun_deg, 0.35)
        light *= 1 - np.float32(0.35) * smoothstep(rough, 0.0, -2.2)
        return crisp(light)

    return [look_over(look, [bent_plane(shape, beds, rng, bend_px=120.0, periodic=periodic)], periodic)]


def _granite(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Painting:
    """Sheets that come off in shells, coarse grain, runs of dark water, pale scars, and crusts in colonies."""
    span, sun_deg = scene_span(shape), rng.uniform(40.0, 140.0)
    (grains,) = lit_rows(shape, partial(_grain, sun_deg, rng), rng)
    angle = rng.uniform(0, 180)
    main = Joints(angle, rng.uniform(200, 500), rng.uniform(1.2, 3.5))
    across = Joints(angle + rng.uniform(60, 120), rng.uniform(400, 900), 1.5)
    joints = cracked(shape, (main, across), rng)
    grid = Tint(shape, BLOCK_STEP, rng)
    swelling = grid.bent(Spectrum(2.3, 0.5 * span, max(2 * finest_detail(span), 12.0), 1.5), bend_px=0.3 * span)
    block, sunlit = (grid.framed(plane) for plane in joints.blocks(sun_deg))
    shade = shading(grid, sun)
    throw = np.float32(rng.uniform(9.0, 20.0))
    streaks = grid.field(Spectrum(1.7, 0.35 * span, 16.0, 3.5, 90.0))
    shells, wet = np.float32(rng.uniform(2.0, 6.0)), np.float32(rng.uniform(0.3, 0.75))
    lichens = Lichens.scattered(shape, rng)

    def heights(swell: FloatArray, block: FloatArray) -> FloatArray:
        height = shells * _ledges(np.float32(0.6) * swell)
        height += np.float32(10.0) * swell
        height += throw * block
        return height

    def weights(light: FloatArray, left: FloatArray, sun: FloatArray, runs: FloatArray) -> tuple[FloatArray, ...]:
        light *= left
        light *= sun
        scars = np.float32(0.6) * smoothstep(runs, -0.5, -2.0)
        scars *= light
        light -= scars
        light *= 1 - wet * smoothstep(runs, 0.4, 1.9)
        return light, scars

    light = relief_light(sample_by_sample(heights, swelling, block), sun_deg, 0.35 / grid.step)
    coarse = in_cache(weights, (GREY, SCAR), light, sunlit, shade, streaks)
    return _face(grid.lit(coarse, _flanks(joints, sun_deg, 0.55, grid)), grains, joints, lichens)


def _grain(sun_deg: float, rng: np.random.Generator, shape: tuple[int, int], periodic: bool) -> list[FloatArray]:
    """Return the light that crystals send back, 1 for grey ones: some are dark, some pale, on an uneven face."""
    dark, pale = (np.float32(stone[1, 0, 0] / GREY[1, 0, 0] - 1) for stone in (DARK, PALE))

    def look(grain: FloatArray, swell: FloatArray) -> FloatArray:
        light = relief_light(np.float32(0.35) * grain + np.float32(SWELL) * swell, sun_deg, 0.55)
        light *= 1 + dark * np.float32(0.6) * smoothstep(grain, 0.7, 1.6) + pale * smoothstep(grain, -0.2, -1.6)
        return crisp(light)

    grains = bent_plane(shape, Spectrum(1.2, 40.0, 2.0), rng, bend_px=0.0, periodic=periodic)
    swells = bent_plane(shape, Spectrum(2.0, 150.0, 3.0, 1.5), rng, bend_px=0.0, periodic=periodic)
    return [look_over(look, [grains, swells], periodic)]


def _flanks(joints: Cracks, sun_deg: float, strength: float, grid: Tint) -> FloatArray:
    """Return the light on the weathered edges of cracks, on the grid of step 2."""
    light = relief_light(joints.grooves(), sun_deg, -0.5 * strength * GROOVE_DEPTH)
    return Tint(grid.canvas, 2, grid.rng).framed(light)


def _face(coarse: Lit, fine: Rows, joints: Cracks, lichens: Lichens | None = None) -> Painting:
    """Return what paints rows of stone: large shapes and colours in the light of the fine ones, cracks, and crusts."""

    def rows(part: slice) -> FloatArray:
        grain = fine(part)
        stone = coarse(part, grain * joints.open_rock(part))
        if lichens is not None:
            lichens.grow(stone, part, grain)
        return stone

    return rows


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
