"""What a ground is like in numbers, to compare painted with photographed ones."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from .base import FloatArray

LUMINANCE = np.array((0.2126, 0.7152, 0.0722), dtype=np.float32)
"""Weights of linear sRGB (IEC 61966-2-1)."""

DARKEST = 1e-4
"""Floor under the logarithm, below the first code of 8-bit sRGB."""

TILE = 256
"""Side of the windowed tiles that spectra are averaged over."""

LONGEST, SHORTEST = 4 / 256, 0.25
"""Range of the fit in cycles/pixel: four waves a tile to where lens and demosaicing take over."""

RINGS = 11
"""Rings of the fit, evenly spaced in log frequency and of equal weight."""


@dataclass(frozen=True, slots=True)
class Statistics:
    """Statistics of log luminance.

    Attributes
    ----------
    exponent
        a of an amplitude spectrum f^(−a), 4/256…1/4 cycles/pixel; about 1 in natural scenes (D. J. Field,
        J. Opt. Soc. Am. A 4(12), 2379 (1987), from memory).
    contrast
        Standard deviation of ln luminance.
    skewness, kurtosis
        Third and fourth standardised moments, the fourth less 3: 0 for a normal distribution.
    hardness
        Median over 64-pixel tiles of the standard deviation of ln luminance at the scale of dust shadows:
        Gaussian blur of 4 less that of 16 pixels. A shadow of that peak depth is lost in such a ground.
    """

    exponent: float
    contrast: float
    skewness: float
    kurtosis: float
    hardness: float


def describe(linear: FloatArray) -> Statistics:
    """Return the statistics of linear light (height, width, 3), at least 256 pixels in both directions.

    Raises
    ------
    ValueError
        If it is smaller.
    """
    if min(linear.shape[:2]) < TILE:
        raise ValueError(f"statistics need {TILE}×{TILE} pixels, not {linear.shape[1]}×{linear.shape[0]}")
    log = log_luminance(linear)
    deviation = log - log.mean(dtype=np.float64)
    spread = float(deviation.std())
    shape = deviation / spread if spread > 0 else np.full_like(deviation, np.nan)
    return Statistics(
        exponent=spectral_exponent(log),
        contrast=spread,
        skewness=float((shape**3).mean()),
        kurtosis=float((shape**4).mean()) - 3.0,
        hardness=hardness(log),
    )


def log_luminance(linear: FloatArray) -> FloatArray:
    """Return ln luminance, float32 (height, width)."""
    return np.asarray(np.log(np.maximum(linear @ LUMINANCE, np.float32(DARKEST))), dtype=np.float32)


def spectral_exponent(log: FloatArray, *, longest: float = LONGEST, shortest: float = SHORTEST) -> float:
    """Return a of an amplitude spectrum f^(−a), fitted to ring means of power of Hann-windowed tiles."""
    from scipy import fft

    window = np.outer(np.hanning(TILE), np.hanning(TILE))
    power = np.zeros((TILE, TILE))
    for y, x in itertools.product(*(range(0, side - TILE + 1, TILE // 2) for side in log.shape)):
        tile = log[y : y + TILE, x : x + TILE]
        power += np.abs(fft.fft2((tile - tile.mean()) * window)) ** 2
    f = np.hypot(fft.fftfreq(TILE)[:, None], fft.fftfreq(TILE))
    rings = [(f >= low) & (f < high) for low, high in itertools.pairwise(np.geomspace(longest, shortest, RINGS + 1))]
    middle = [np.log(f[ring].mean()) for ring in rings]
    return float(-np.polyfit(middle, [np.log(power[ring].mean()) for ring in rings], 1)[0] / 2)


def hardness(log: FloatArray) -> float:
    """Return the median standard deviation at shadow scale of 64-pixel tiles of ln luminance."""
    from scipy import ndimage

    band = ndimage.gaussian_filter(log, 4) - ndimage.gaussian_filter(log, 16)
    down, across = band.shape[0] // 64, band.shape[1] // 64
    tiles = band[: down * 64, : across * 64].reshape(down, 64, across, 64)
    return float(np.median(tiles.std(axis=(1, 3))))
