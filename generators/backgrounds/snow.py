"""Powder, drifts, crust, sparkle, blue shade, and rocks that poke through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .bent import bent_rows
from .canvas import SAMPLE_PX, Texture, canvas_shape, crisp, full_size, widened
from .noise import Spectrum, field_rows, tile, tile_side
from .points import add_points, lit_share, power_law, scattered
from .raster import Rows, colour, in_cache, slope, smoothstep
from .snow_cover import cast_shade, stones_in_snow
from .tiles import Patchwork

KINDS = ("drifts", "sparkle", "shade", "powder", "crust", "rocks")

SUNLIT = colour(0.70, 0.69, 0.67)
"""Snow in the sun, exposed one stop and a little under saturation where the surface lies flat."""

SHADE = colour(0.20, 0.26, 0.36)
"""The same snow lit by blue sky only: a fifth to a third of the light."""

ROCK = np.float32(0.15)
"""Dark wet rock in full light, of sunlit snow."""

GLINTS = {"sparkle": 900.0, "powder": 60.0}
"""Crystals that mirror the sun, in a megapixel, where there are any."""

GRAIN = {"powder": 0.017, "crust": 0.04}
"""Standard deviation in log luminance of the grain of the surface; 0.025 for the kinds not named."""


@dataclass(frozen=True, slots=True)
class Snow:
    """A snow field under a low sun.

    Attributes
    ----------
    kind
        ``"drifts"`` (undulation and wind ripple), ``"sparkle"`` (also glints, up to saturation),
        ``"shade"`` (also cast shadows), ``"powder"`` (fresh and smooth), ``"crust"`` (plates with sharp
        edges), ``"rocks"`` (stones of 5…80 px and larger ones through the snow) or ``"mixed"``, one of them
        by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("snow", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        canvas = canvas_shape(shape)
        sun_deg = rng.uniform(20.0, 160.0)
        height = _height(canvas, kind, rng)
        shade = cast_shade(canvas, rng) if kind == "shade" else None
        stones = stones_in_snow(canvas, sun_deg, rng) if kind == "rocks" else None
        exposure = np.float32(rng.uniform(0.85, 1.05))

        tints = exposure * SHADE, exposure * SUNLIT
        glinting = np.empty(canvas, dtype=np.float32) if kind in GLINTS else None

        def weights(sun: FloatArray, *sunlit: FloatArray) -> tuple[FloatArray, ...]:
            # A slope that turns from the sun turns from the bright part of the sky, too.
            skylight = np.float32(0.8) + np.float32(0.2) * sun
            for share in sunlit[:1]:
                sun *= share
            skylight -= skylight * sun
            if stones is not None:
                _, snowy, rock = sunlit
                skylight *= snowy
                sun *= snowy
                rock *= ROCK - ROCK * snowy
                sun += rock
            return skylight, sun

        def rows(part: slice) -> FloatArray:
            wide, inner = widened(part, 2, canvas[0])
            sun = crisp(_sunlight(height(wide), sun_deg))[inner]
            if glinting is not None:
                glinting[part] = sun
            if shade is not None:
                return in_cache(weights, tints, sun, shade(part))
            if stones is not None:
                return in_cache(weights, tints, sun, *stones(part))
            return in_cache(weights, tints, sun)

        frame = full_size(rows, shape, rng, _grain(shape, kind, rng))
        if glinting is not None:
            _add_glints(frame, glinting, GLINTS[kind], rng)
        return frame


def _grain(shape: tuple[int, int], kind: str, rng: np.random.Generator) -> Texture:
    grain = tile(tile_side(shape), Spectrum(0.6, 40.0, 2.5), rng)
    return Texture(Patchwork(grain, overlap=32), GRAIN.get(kind, 0.025))


def _sunlight(height: FloatArray, sun_deg: float) -> FloatArray:
    """Return the sun's share of the light by the slope towards it, softly clipped, around 1 on the flat."""
    light = slope(height, sun_deg, -0.55, 0.935)
    light = np.tanh(light, out=light)
    light *= np.float32(1.27)
    return np.maximum(light, np.float32(0.03), out=light)


def _height(shape: tuple[int, int], kind: str, rng: np.random.Generator) -> Rows:
    """Return what gives the surface, in samples: drifts, and on them what the wind has carved."""
    span = scene_span(shape)
    drifts = bent_rows(shape, Spectrum(2.9, 0.6 * span, 32.0, 2.2), rng, bend_px=span / 2)
    carved = {"powder": _pillows, "crust": _plates}.get(kind, _ripple)(shape, rng)

    def rows(part: slice) -> FloatArray:
        surface = np.float32(0.05 * span) * drifts(part)
        surface += carved(part)
        return surface

    return rows


def _pillows(shape: tuple[int, int], rng: np.random.Generator) -> Rows:
    pillows = bent_rows(shape, Spectrum(2.6, 70.0, 10.0, 1.5), rng, bend_px=120.0)
    height = np.float32(rng.uniform(0.8, 1.8))
    return lambda part: height * pillows(part)


def _ripple(shape: tuple[int, int], rng: np.random.Generator) -> Rows:
    """Return wind ripple: rounded backs with sharp lee edges, not sine waves, stronger here than there."""
    span, wind = scene_span(shape), rng.uniform(-25.0, 25.0)
    waves = bent_rows(shape, Spectrum(2.2, 40.0, 2.5, 3.5, wind), rng, bend_px=100.0)
    strength = field_rows(shape, Spectrum(2.0, 0.5 * span, 32.0), rng, lambda field: smoothstep(field, -0.8, 1.4))
    height = np.float32(-rng.uniform(1.8, 3.5))

    def rows(part: slice) -> FloatArray:
        ripple = waves(part)
        ripple *= ripple
        ripple += np.float32(0.02)
        ripple = np.sqrt(ripple, out=ripple)
        ripple *= strength(part)
        ripple *= height
        return ripple

    return rows


def _plates(shape: tuple[int, int], rng: np.random.Generator) -> Rows:
    """Return wind crust: flat plates that end in steps a sample or two wide, eroded at the edge."""
    wind = rng.uniform(-25.0, 25.0)
    layered = bent_rows(shape, Spectrum(2.1, 160.0, 3.0, 4.0, wind), rng, bend_px=160.0)
    worn = field_rows(shape, Spectrum(1.2, 40.0, 2.0, 2.0, wind), rng)
    number, rise = (np.float32(rng.uniform(low, high)) for low, high in ((1.0, 1.5), (1.3, 2.4)))

    def rows(part: slice) -> FloatArray:
        layers, wear = layered(part), worn(part)
        layers += np.float32(0.09) * wear
        layers *= number
        whole = np.floor(layers)
        layers -= whole
        step = smoothstep(layers, 0.0, 0.3)
        step += whole
        step *= rise
        wear *= np.float32(0.18)
        step += wear
        return step

    return rows


def _add_glints(frame: FloatArray, sunlight: FloatArray, per_megapixel: float, rng: np.random.Generator) -> None:
    """Add crystals that mirror the sun; mirrors of random tilt and size: few are strong."""
    shape = (frame.shape[0], frame.shape[1])
    x, y = scattered(shape, per_megapixel * rng.uniform(0.5, 1.6), rng)
    light = 0.25 * power_law(rng.random(len(x), dtype=np.float32), 1.6, largest=24.0)
    light *= np.minimum(lit_share(sunlight, x, y, SAMPLE_PX), 1)
    add_points(frame, x, y, light[:, None], sigma_px=0.55)
