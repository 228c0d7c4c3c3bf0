"""What all bare rock has in common: its colours, and how light falls on a rough face."""

from __future__ import annotations

import math

import numpy as np

from .base import FloatArray, scene_span
from .noise import Spectrum
from .raster import colour, slope
from .tint import Tint

PALE, GREY, OCHRE, DARK = (
    colour(0.36, 0.34, 0.31),
    colour(0.22, 0.21, 0.20),
    colour(0.30, 0.22, 0.13),
    colour(0.07, 0.065, 0.06),
)
"""Linear sRGB of weathered limestone, granite, iron stain and wet or shaded stone in full light."""


def shading(grid: Tint, sun: float) -> FloatArray:
    """Return the light on the whole face, on a grid: parts of it turn from the sun or are wet."""
    contrast = np.float32(grid.rng.uniform(0.25, 0.5))
    mean = np.float32(math.log(sun) - 0.35)
    light = np.exp(contrast * grid.field(Spectrum(1.7, 0.4 * scene_span(grid.canvas), 16.0, 1.3)) + mean)
    return np.asarray(light, dtype=np.float32)


def relief_light(height: FloatArray, sun_deg: float, strength: float) -> FloatArray:
    """Return exp(tanh(strength · slope)): light on a rough face, less where it turns from the sun."""
    tilt = slope(height, sun_deg, -strength)
    gain = np.tanh(tilt, out=tilt)
    gain *= np.float32(0.75)
    return np.exp(gain, out=gain)
