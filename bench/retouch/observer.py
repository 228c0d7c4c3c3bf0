"""How plainly a difference of any shape is seen: the standard spatial observer.

A. B. Watson & A. J. Ahumada, 'A standard model for foveal detection of spatial contrast', J. Vision 5 (2005) 717,
doi 10.1167/5.9.6, without its oblique effect: contrast is filtered by the eye's sensitivity over spatial frequency,
weighed by an aperture about the gaze, and pooled by Minkowski's sum. Its thresholds are those of brief flashes; for
free viewing they are scaled by one constant so that they fit those of `visibility`, which judge the shadows.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from ..visibility import NEAR_CERTAIN

FloatArray = NDArray[np.float64]

GAIN, HIGH, POWER, LOSS, LOW = 373.08, 4.1726, 0.7786, 0.8493, 1.3625
"""Of the sensitivity S(f) = gain·(sech((f/high)^power) − loss·sech(f/low)), f in cycles a degree."""

APERTURE_DEG = 0.6273
"""Standard deviation of the Gaussian aperture."""

BETA = 2.4081
"""Exponent of the Minkowski sum over area."""

FREE_VIEWING = 4.2
"""How many times lower thresholds are in free viewing than in the brief flashes that the model was fitted to. Both
models speak of uniform discs: at the thresholds of `visibility` (100 cd/m²) those of 3.6′, the smallest of its data, to
60′, which the aperture still holds, have a geometric mean V of 1 with 4.20; each one's own factor is 3.9 to 4.5."""

PAD_DEG = 1.0
"""Ground added about a picture, so that what is filtered doesn't wrap around."""


def sensitivity(frequency: Any) -> FloatArray:
    """Return the observer's sensitivity to contrast at spatial frequencies in cycles a degree, ≥ 0.

    >>> [round(float(sensitivity(f)), 1) for f in (0, 4, 16)]
    [56.2, 214.2, 43.1]
    """
    f = np.asarray(frequency, dtype=float)
    return np.asarray(GAIN * (_sech((f / HIGH) ** POWER) - LOSS * _sech(f / LOW)))


def _sech(x: FloatArray) -> FloatArray:
    decay = np.exp(-x)
    return np.asarray(2 * decay / (1 + decay * decay))


def difference_visibility(contrast: Any, centre: tuple[float, float], *, pixels_per_degree: float) -> float:
    """Return how many times its threshold a contrast picture has, ≥ 0, 1 just seen with near certainty.

    V = s (Σ |w · (S ⊛ c)|^β / ppd²)^(1/β), w the aperture about the gaze and s the scale of free viewing. The same unit
    as `visibility.visibility_level`.

    Parameters
    ----------
    contrast
        ΔL/L (h, w), zero at the borders and beyond.
    centre
        (x, y) of the gaze, in its pixels.
    """
    picture = np.asarray(contrast, dtype=np.float32)
    if not picture.any():
        return 0.0
    pad = math.ceil(PAD_DEG * pixels_per_degree)
    height, width = (fft.next_fast_len(side + pad, real=True) for side in picture.shape)
    filtered = fft.irfft2(
        fft.rfft2(picture, s=(height, width), workers=1) * _filter(height, width, pixels_per_degree),
        s=(height, width),
        workers=1,
    )
    y, x = (_wrapped(length, at) / pixels_per_degree for length, at in ((height, centre[1]), (width, centre[0])))
    aperture = np.multiply.outer(*(np.exp(-0.5 * (line / APERTURE_DEG) ** 2) for line in (y, x)))
    pooled = np.sum(np.abs(filtered * aperture) ** BETA) / pixels_per_degree**2
    return float(FREE_VIEWING / NEAR_CERTAIN * pooled ** (1 / BETA))


def _wrapped(length: int, at: float) -> FloatArray:
    """Return the distance of each sample of a periodic line from a place, by the shorter way."""
    apart = np.arange(length) - at
    return np.asarray((apart + length / 2) % length - length / 2)


@lru_cache(maxsize=64)
def _filter(height: int, width: int, pixels_per_degree: float) -> NDArray[np.float32]:
    fy, fx = fft.fftfreq(height, 1 / pixels_per_degree), fft.rfftfreq(width, 1 / pixels_per_degree)
    table = sensitivity(np.hypot(fy[:, None], fx)).astype(np.float32)
    table.flags.writeable = False
    return table
