"""The sky at night: stars, or the glow of a town under clouds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, finest_detail, pick_kind, scene_span
from .bent import bent_rows
from .canvas import Painting, canvas_shape, full_size
from .noise import Spectrum, field_rows
from .points import add_points, power_law, scattered
from .raster import blended, colour, columns, rows, smoothstep

KINDS = ("stars", "glow")

DARK_SKY = colour(0.0050, 0.0058, 0.0075)
AIRGLOW = colour(0.016, 0.019, 0.014)
GALAXY = colour(0.020, 0.018, 0.017)
SODIUM = colour(0.110, 0.060, 0.022)
"""Linear sRGB of the dark sky as a long exposure shows it, of airglow, of the Milky Way and of town light."""

STAR_TINTS = np.array(((0.75, 0.85, 1.15), (1.0, 1.0, 1.0), (1.15, 1.0, 0.75), (1.25, 0.9, 0.6)), dtype=np.float32)
"""Colours of hot to cool stars."""

STAR_SIGMA_PX = 0.75
"""Width of a star's image in a good lens (common practice: about two pixels across)."""


@dataclass(frozen=True, slots=True)
class Night:
    """A night sky of some seconds' exposure. Its noise is the camera's: raise `Camera.iso`.

    Attributes
    ----------
    kind
        ``"stars"`` (dark sky, airglow, the Milky Way), ``"glow"`` (broken cloud lit by a town, few stars) or
        ``"mixed"``, one of the two by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("night", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        canvas = canvas_shape(shape)
        sky = _dark_sky(canvas, rng) if kind == "stars" else _glow(canvas, rng)
        frame = full_size(sky, shape, rng)
        _add_stars(frame, rng.uniform(700.0, 2500.0) if kind == "stars" else rng.uniform(20.0, 120.0), rng)
        return frame


def _dark_sky(shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    span = scene_span(shape)
    glow = rows(shape) ** np.float32(rng.uniform(1.0, 3.0)) * np.float32(rng.uniform(0.4, 1.2))
    angle = rng.uniform(0.3, 2.8)
    down = (rows(shape) - 0.5) * np.float32(np.cos(angle))
    waves = Spectrum(1.5, 0.35 * span, max(finest_detail(span), 3.0), 1.8, np.degrees(angle))
    clouding = bent_rows(shape, waves, rng, bend_px=0.2 * span)
    middle, strength = np.float32(rng.uniform(-0.25, 0.25)), np.float32(rng.uniform(0.3, 1.0))

    def planes(part: slice) -> FloatArray:
        offset = (columns(shape) - 0.5) * np.float32(np.sin(angle)) - (down[part] + middle)
        offset *= np.float32(math.sqrt(0.5) / 0.14)
        offset *= offset
        band = np.exp(np.negative(offset, out=offset), out=offset)
        clouds = clouding(part)
        bright = np.exp(np.float32(0.4) * clouds)
        bright -= np.float32(0.55) * smoothstep(clouds, -0.4, -1.8)
        band *= strength * np.maximum(bright, 0, out=bright)
        dark = 1 - band
        lit = glow[part] * dark
        dark -= lit
        return blended((dark, lit, band), (DARK_SKY, AIRGLOW, GALAXY))

    return planes


def _glow(shape: tuple[int, int], rng: np.random.Generator) -> Painting:
    span = scene_span(shape)
    low = rows(shape) ** np.float32(rng.uniform(1.2, 2.5))
    side = np.exp(np.float32(-0.5) * ((columns(shape) - np.float32(rng.uniform(0, 1))) / np.float32(0.45)) ** 2)
    clouds = bent_rows(shape, Spectrum(2.0, 0.5 * span, max(finest_detail(span), 3.0), 2.0), rng, bend_px=0.4 * span)
    haze = field_rows(shape, Spectrum(2.0, span, 32.0, 2.0), rng, lambda field: np.exp(np.float32(0.1) * field))

    def planes(part: slice) -> FloatArray:
        glow = low[part] * (np.float32(0.4) + np.float32(0.6) * side)
        lit = smoothstep(clouds(part), -0.4, 1.6) * (np.float32(0.12) + np.float32(0.6) * glow)
        lit += np.float32(0.7) * glow
        return blended((haze(part) * (1 - lit), lit), (DARK_SKY, SODIUM))

    return planes


def _add_stars(frame: FloatArray, per_megapixel: float, rng: np.random.Generator) -> None:
    """Add stars; each magnitude fainter has about 2.5 to 3 times as many: P(> b) falls as b^(−1.15)."""
    x, y = scattered((frame.shape[0], frame.shape[1]), per_megapixel, rng)
    light = 0.006 + 0.02 * power_law(rng.random(len(x), dtype=np.float32), 1.15, largest=250.0)
    tints = STAR_TINTS[rng.integers(len(STAR_TINTS), size=len(x))]
    add_points(frame, x, y, light[:, None] * tints, sigma_px=STAR_SIGMA_PX)
