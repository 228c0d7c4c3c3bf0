"""Bare rock: cracked limestone, granite with lichen, and scree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .canvas import Texture, canvas_shape, full_size
from .cells import by_cell, cells, domes
from .joints import Joints
from .noise import Spectrum, bent_field, field, tile, tile_side
from .raster import blur, colour, mix, shifted, slope, smoothstep
from .tiles import Patchwork

KINDS = ("limestone", "granite", "scree")

PALE, GREY, OCHRE, DARK = (
    colour(0.36, 0.34, 0.31),
    colour(0.22, 0.21, 0.20),
    colour(0.30, 0.22, 0.13),
    colour(0.07, 0.065, 0.06),
)
"""Linear sRGB of weathered limestone, granite, iron stain and wet or shaded stone in full light."""

LICHENS = (colour(0.36, 0.38, 0.30), colour(0.05, 0.05, 0.045), colour(0.34, 0.23, 0.06))
"""Grey-green, black and orange crusts: round, 6…60 px wide, as dust shadows are."""


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
        painting = painter(canvas_shape(shape), rng)
        painting *= np.float32(rng.uniform(0.9, 1.35)) * _shading(painting.shape[1:], rng)
        grain = tile(tile_side(shape), Spectrum(0.75, 60.0, 2.3), rng)
        texture = Texture(Patchwork(grain), 0.08 if kind == "granite" else 0.055)
        frame = full_size(painting, shape, rng, texture)
        return np.minimum(frame, np.float32(1.0), out=frame)


def _shading(shape: tuple[int, ...], rng: np.random.Generator) -> FloatArray:
    """Return the light on the whole face: parts of it turn from the sun or are wet."""
    span = scene_span(shape)
    light = bent_field((shape[0], shape[1]), Spectrum(1.7, 0.4 * span, 8.0, 1.3), rng, bend_px=0.3 * span)
    light *= np.float32(rng.uniform(0.25, 0.5))
    light -= np.float32(0.35)
    np.exp(light, out=light)
    return light


def _relief_light(height: FloatArray, sun_deg: float, strength: float) -> FloatArray:
    """Return exp(tanh(strength · slope)): light on a rough face, less where it turns from the sun."""
    tilt = slope(height, sun_deg)
    tilt *= np.float32(-strength)
    gain = np.tanh(tilt, out=tilt)
    gain *= np.float32(0.75)
    return np.exp(gain, out=gain)


def _limestone(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    span, sun_deg, dip = scene_span(shape), rng.uniform(50.0, 130.0), rng.uniform(-25.0, 25.0)
    beds = bent_field(shape, Spectrum(1.9, 0.25 * span, 2.0, 2.5, dip), rng, bend_px=0.2 * span)
    rough = bent_field(shape, Spectrum(2.2, 120.0, 2.0, 1.3, dip), rng, bend_px=120.0)
    height = np.float32(13.0) * _ledges(beds + np.float32(0.10) * rough)
    height += np.float32(7.0) * np.abs(rough)  # folded about zero: faces that meet in creases
    light = _relief_light(height, sun_deg, 0.35)
    across = Joints(dip + rng.uniform(55, 125), rng.uniform(120, 300), rng.uniform(1.0, 2.6)).draw(shape, rng)
    along = Joints(dip, rng.uniform(150, 400), rng.uniform(1.0, 2.2)).draw(shape, rng)
    light *= 1 - np.float32(0.85) * np.maximum(across, along, out=across)
    light *= 1 - np.float32(0.65) * smoothstep(-rough, 0.0, 1.8)  # hollows see less of the sky
    stain = smoothstep(field(shape, Spectrum(1.4, 0.3 * span, 4.0, 1.5, 90.0), rng), -0.3, 2.4)
    rock = mix(mix(PALE, GREY, stain), OCHRE, np.float32(0.4) * smoothstep(beds, 0.9, 2.2))
    rock *= light
    return rock


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


def _granite(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    span, sun_deg = scene_span(shape), rng.uniform(40.0, 140.0)
    swell = bent_field(shape, Spectrum(2.3, 0.5 * span, 4.0, 1.5), rng, bend_px=0.3 * span)
    grain = field(shape, Spectrum(1.2, 40.0, 2.0), rng)
    height = np.float32(14.0) * swell
    height += np.float32(0.35) * grain
    light = _relief_light(height, sun_deg, 0.55)
    joint = Joints(rng.uniform(0, 180), rng.uniform(200, 500), rng.uniform(1.2, 3.5)).draw(shape, rng)
    light *= 1 - np.float32(0.85) * joint
    mica = smoothstep(grain, 0.7, 1.6)
    rock = mix(mix(GREY, PALE, smoothstep(grain, -0.2, -1.6)), DARK, np.float32(0.7) * mica)
    eaten = np.float32(0.2) * field(shape, Spectrum(1.3, 24.0, 2.0), rng)
    for lichen in LICHENS:
        rock = mix(rock, lichen, np.float32(rng.uniform(0.5, 0.8)) * _lichen(eaten, rng))
    rock *= light
    return rock


def _lichen(eaten: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return cover 0…1 by crusts: discs of 3…30 samples, many small ones, with edges `eaten` into."""
    import cv2

    shape = eaten.shape
    discs = np.zeros(shape, dtype=np.float32)
    for _ in range(int(rng.poisson(shape[0] * shape[1] * rng.uniform(0.0, 6e-4)))):
        radius = int(min(1.5 + 1.5 * rng.pareto(1.6), 15.0) * 8)
        middle = (int(rng.uniform(0, 8 * shape[1])), int(rng.uniform(0, 8 * shape[0])))
        cv2.circle(discs, middle, radius, 1.0, thickness=-1, lineType=cv2.LINE_AA, shift=3)
    edge = blur(discs, 1.2)
    edge *= 1 + 2 * eaten
    return smoothstep(edge, 0.35, 0.75)


def _scree(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Angular stones of several sizes, the small ones between the large; gaps are black."""
    sun_deg, spacing = rng.uniform(40.0, 140.0), rng.uniform(12.0, 26.0)
    rough = bent_field(shape, Spectrum(1.2, 30.0, 2.0), rng, bend_px=40.0)
    large, pebbles = (_stones(shape, size, rough, rng) for size in (spacing, spacing / 2.8))
    over = smoothstep(large.height - pebbles.height * np.float32(0.5), -0.02, 0.06)
    height = np.maximum(large.height, np.float32(0.5) * pebbles.height)
    light = smoothstep(height, 0.0, 0.5)
    light *= np.float32(0.86)
    light += np.float32(0.14)
    relief = height + np.float32(0.05) * rough
    light *= _relief_light(relief, sun_deg, 0.3 * spacing)
    c, s = np.cos(np.radians(sun_deg)), np.sin(np.radians(sun_deg))
    behind = shifted(height, 0.2 * spacing * c, -0.2 * spacing * s)
    behind -= height
    light *= 1 - np.float32(0.55) * smoothstep(behind, 0.15, 0.5)
    light *= pebbles.face + over * (large.face - pebbles.face)
    kinds = field(shape, Spectrum(1.0, 60.0, 2.0), rng)
    rock = mix(mix(GREY, PALE, smoothstep(kinds, -1.0, 2.0)), OCHRE, np.float32(0.35) * smoothstep(kinds, 0.8, 2.4))
    rock *= light
    return rock


@dataclass(frozen=True, slots=True)
class _Stones:
    """A layer of stones: height 0…1, and the light that their flat faces catch, one value a stone."""

    height: FloatArray
    face: FloatArray


def _stones(shape: tuple[int, int], spacing: float, rough: FloatArray, rng: np.random.Generator) -> _Stones:
    distance, number = cells(shape, spacing, rng)
    distance += np.float32(0.025) * rough
    distance *= by_cell(number, 1 / rng.uniform(0.5, 1.0, 256))  # stones differ in size
    top = np.float32(1.5) * domes(distance, 0.95)
    top = np.minimum(top, 1.0, out=top)  # broken off flat
    top *= by_cell(number, rng.uniform(0.45, 1.0, 256))
    return _Stones(top, by_cell(number, np.exp(rng.normal(0.0, 0.3, 256))))
