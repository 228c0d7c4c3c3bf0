"""Water: still, rippled, and with the sun in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray, check_kind, pick_kind, scene_span
from .canvas import SAMPLE_PX, canvas_shape, full_size
from .noise import Spectrum, bent_field, field
from .points import add_points, lit_share, power_law, scattered
from .raster import colour, columns, mix, remapped, rows, smoothstep

KINDS = ("still", "ripples", "glints")

DEPTH = colour(0.018, 0.042, 0.045)
"""What comes back from under the surface of a clear lake."""

SKY = colour(0.36, 0.44, 0.54)
"""The sky that the surface mirrors at a slant."""

FAR, NEAR = 0.45, 1.6
"""Scale of the waves at the upper and lower edge: a surface seen from 20…30° above."""


@dataclass(frozen=True, slots=True)
class Water:
    """A lake or a slow river, without its shore.

    Attributes
    ----------
    kind
        ``"still"`` (long faint waves), ``"ripples"`` (wind waves that mirror sky and depth in turn),
        ``"glints"`` (also a path of glitter) or ``"mixed"``, one of the three by chance.
    """

    kind: str = "mixed"

    def __post_init__(self) -> None:
        check_kind("water", self.kind, KINDS)

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        kind = pick_kind(self.kind, KINDS, rng)
        canvas = canvas_shape(shape)
        slopes = _slopes(canvas, 1.0 if kind != "still" else 0.16, rng)
        # The flatter one looks, the more of the sky: share of mirrored light by Fresnel, roughly.
        mirror = np.float32(0.55) - np.float32(0.35) * rows(canvas) + np.float32(rng.uniform(-0.05, 0.1))
        share = np.clip(mirror + np.float32(0.3) * slopes, 0.03, 1.1)
        water = mix(DEPTH, SKY * np.float32(rng.uniform(0.8, 1.2)), share)
        frame = full_size(water, shape, rng)
        if kind == "glints":
            _add_glitter(frame, slopes, rng)
        return frame


def _slopes(shape: tuple[int, int], strength: float, rng: np.random.Generator) -> FloatArray:
    """Return the surface's slope towards the eye, about 0 ± `strength`, smaller waves further up.

    Waves are a field stretched along the crests, its rows drawn together towards the far side; gusts make
    some parts rough and leave others smooth.
    """
    span, wind = scene_span(shape), rng.uniform(-12.0, 12.0)
    depth = FAR + (NEAR - FAR) * rows(shape)[:, 0]  # scale of every row
    source_row = np.cumsum(1 / depth) - 1 / depth[0]
    across = (np.arange(shape[1]) - shape[1] / 2)[None, :] / np.sqrt(depth)[:, None]
    left = float(across.min())
    size = (int(source_row[-1]) + 4, int(across.max() - left) + 4)
    wave = rng.uniform(16.0, 40.0)
    waves = bent_field(size, Spectrum(1.7, wave, 2.0, 3.2, wind), rng, bend_px=4 * wave)
    swell = field(size, Spectrum(2.0, 4 * wave, 8.0, 5.0, wind / 2), rng)
    waves *= np.float32(0.85)
    waves += np.float32(0.5) * swell
    map_x = (across - left).astype(np.float32)
    map_y = np.broadcast_to(source_row.astype(np.float32)[:, None], shape)
    slopes = remapped(waves, map_x, np.ascontiguousarray(map_y))
    gusts = smoothstep(field(shape, Spectrum(1.8, 0.6 * span, 16.0, 4.0), rng), -1.6, 1.2)
    gusts *= np.float32(0.7 * strength)
    gusts += np.float32(0.3 * strength)
    slopes *= gusts
    return slopes


def _add_glitter(frame: FloatArray, slopes: FloatArray, rng: np.random.Generator) -> None:
    """Add images of the sun: where a facet tilts just so, thickest along the path below the sun."""
    middle, width = rng.uniform(0.1, 0.9), rng.uniform(0.1, 0.3)
    path = np.exp(-0.5 * ((columns((1, slopes.shape[1])) - np.float32(middle)) / np.float32(width)) ** 2)
    chance = smoothstep(slopes, 0.9, 1.6) * path
    shape = (frame.shape[0], frame.shape[1])
    x, y = scattered(shape, rng.uniform(6e4, 1.5e5), rng)
    lit = rng.random(len(x)) < lit_share(chance, x, y, SAMPLE_PX)
    light = 0.5 + power_law(int(lit.sum()), 1.3, rng, largest=12.0)
    add_points(frame, x[lit], y[lit], light.astype(np.float32)[:, None], sigma_px=0.7)
    np.minimum(frame, np.float32(1.2), out=frame)
