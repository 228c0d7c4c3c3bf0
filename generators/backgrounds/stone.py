"""What all bare rock has in common: its colours, and how light falls on a rough face."""

from __future__ import annotations

import math

import numpy as np

from .base import FloatArray, scene_span
from .noise import Spectrum, field_rows
from .raster import Rows, colour, slope

PALE, GREY, OCHRE, DARK = (
    colour(0.36, 0.34, 0.31),
    colour(0.22, 0.21, 0.20),
    colour(0.30, 0.22, 0.13),
    colour(0.07, 0.065, 0.06),
)
"""Linear sRGB of weathered limestone, granite, iron stain and wet or shaded stone in full light."""


def shading(shape: tuple[int, int], sun: float, rng: np.random.Generator) -> Rows:
    """Return what gives the light on the whole face: parts of it turn from the sun or are wet."""
    contrast = np.float32(rng.uniform(0.25, 0.5))
    mean = np.float32(math.log(sun) - 0.35)
    waves = Spectrum(1.7, 0.4 * scene_span(shape), 16.0, 1.3)
    return field_rows(shape, waves, rng, lambda field: np.exp(contrast * field + mean))


def relief_light(height: FloatArray, sun_deg: float, strength: float) -> FloatArray:
    """Return exp(tanh(strength · slope)): light on a rough face, less where it turns from the sun."""
    tilt = slope(height, sun_deg, -strength)
    gain = np.tanh(tilt, out=tilt)
    gain *= np.float32(0.75)
    return np.exp(gain, out=gain)
