"""Heath and rough pasture: texture that drowns the shadows of dust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .noise import Spectrum, bent_field, field
from .raster import colour, mix, shifted, slope, smoothstep

KINDS = ("heath", "plain")

OLIVE, STRAW, RUST, HEATHER, EARTH = (
    colour(0.120, 0.125, 0.042),
    colour(0.270, 0.215, 0.095),
    colour(0.175, 0.098, 0.045),
    colour(0.150, 0.095, 0.092),
    colour(0.110, 0.080, 0.055),
)
"""Linear sRGB of foliage, dead grass, bracken, heather in flower and bare ground in full light."""


@dataclass(frozen=True, slots=True)
class Scrub:
    """A hillside of low bushes, or rough grass, seen from across the valley.

    Attributes
    ----------
    kind
        ``"heath"`` (clumps with dark gaps 8…60 px wide, the size of dust shadows), ``"plain"`` (rough grass
        without clumps) or ``"mixed"``, one of the two by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("scrub", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        painted = _heath(shape, rng) if kind == "heath" else _grass(shape, rng)
        return np.minimum(painted, np.float32(1.0))


def _heath(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    span, sun_deg = scene_span(shape), rng.uniform(35.0, 145.0)
    clumps = bent_field(shape, Spectrum(1.9, 95.0, 6.0, 1.6), rng, bend_px=150.0)
    sprays = bent_field(shape, Spectrum(1.5, 26.0, 3.0, 1.3), rng, bend_px=60.0)
    twigs = np.maximum(
        field(shape, Spectrum(1.0, 14.0, 2.4, 3.0, rng.uniform(40, 70)), rng),
        field(shape, Spectrum(1.0, 14.0, 2.4, 3.0, rng.uniform(105, 140)), rng),
    )
    cover = smoothstep(
        bent_field(shape, Spectrum(1.6, 0.3 * span, 8.0, 2.0), rng, bend_px=200.0) + 0.35 * clumps, -1.1, 0.1
    )
    height = (0.25 + 0.75 * cover) * (0.8 * clumps + 0.45 * sprays)
    light = _depth_light(height, cover) * _cast_shadow(height, sun_deg)
    light *= np.exp(0.5 * np.tanh(-2.5 * slope(height, sun_deg)) + 0.28 * (twigs - 0.55))
    light *= 1 + 0.9 * smoothstep(twigs + 0.5 * height, 1.6, 3.2)  # tips that catch the sun
    return _heath_colour(shape, cover, rng) * (light * np.float32(rng.uniform(1.2, 1.8)))[..., None]


def _depth_light(height: FloatArray, cover: FloatArray) -> FloatArray:
    """Return the share of skylight that reaches down between bushes: hollows under cover are dark."""
    open_sky = 0.14 + 0.86 * smoothstep(height, -1.25, 0.15)
    return np.asarray(1 - cover * (1 - open_sky), dtype=np.float32)


def _cast_shadow(height: FloatArray, sun_deg: float) -> FloatArray:
    """Return 1 in the sun, down to 0.4 where something taller stands a few pixels towards the sun."""
    c, s = np.cos(np.radians(sun_deg)), np.sin(np.radians(sun_deg))
    near, far = (shifted(height, reach * c, -reach * s) - np.float32(0.05 * reach) for reach in (5.0, 11.0))
    rise = np.asarray(np.maximum(near, far) - height, dtype=np.float32)
    shade = smoothstep(rise, 0.1, 0.8)
    return np.asarray(1 - 0.6 * shade, dtype=np.float32)


def _heath_colour(shape: tuple[int, int], cover: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return reflectance: bushes of two kinds over dead grass and bare ground, mingled at many scales."""
    kinds = field(shape, Spectrum(1.15, 0.25 * scene_span(shape), 3.0, 1.5), rng)
    ground_kinds = field(shape, Spectrum(1.2, 120.0, 4.0, 1.5), rng)
    other = RUST if rng.random() < 0.5 else HEATHER
    bush = mix(np.broadcast_to(OLIVE, (*shape, 3)), other, 0.85 * smoothstep(kinds, -0.6, 1.8))
    ground = mix(np.broadcast_to(STRAW, (*shape, 3)), EARTH, smoothstep(ground_kinds, -1.0, 1.5))
    return mix(ground, bush, 0.85 * cover)


def _grass(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    span = scene_span(shape)
    blades = np.maximum(
        field(shape, Spectrum(1.0, 30.0, 2.4, 4.0, 78.0), rng),
        field(shape, Spectrum(1.0, 30.0, 2.4, 4.0, 105.0), rng),
    )
    tufts = bent_field(shape, Spectrum(1.1, 0.3 * span, 6.0, 2.0), rng, bend_px=150.0)
    light = np.exp(0.3 * (blades - 0.55) + 0.22 * tufts) * np.float32(rng.uniform(1.1, 1.7))
    dryness = field(shape, Spectrum(1.3, 0.4 * span, 4.0, 2.0), rng) + np.float32(0.4) * blades
    dry = smoothstep(np.asarray(dryness, dtype=np.float32), -0.5, 1.8)
    return mix(np.broadcast_to(OLIVE, (*shape, 3)), STRAW, dry) * light[..., None]
