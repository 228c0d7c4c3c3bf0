"""How detectable a shadow is to an observer who knows its shape, its place and the ground's spectrum."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

FloatArray = NDArray[np.float64]

NEIGHBOURHOOD = 3
"""Side of the ground that a spectrum is taken from, in tiles."""


def tile_side(shape: tuple[int, ...]) -> int:
    """Return the tile side for a template: twice its size, so that its lowest frequencies are resolved."""
    return int(fft.next_fast_len(max(32, 2 * max(shape))))


def ground_spectrum(ground: NDArray[np.floating], side: int) -> FloatArray:
    """Return the power spectrum of a ground, float64 (side, side/2 + 1), white noise of σ giving σ².

    Welch's mean of periodograms over half-overlapping Hann tiles (Welch, IEEE Trans. Audio
    Electroacoust. 15(2) 70, 1967). One plane is taken off the whole ground, since an observer sees past an
    even gradient; taking each tile's own mean off would halve the lowest frequencies of the tile.

    Raises
    ------
    ValueError
        If the ground is smaller than one tile.
    """
    height, width = ground.shape
    if min(height, width) < side:
        raise ValueError(f"a ground of {width}×{height} pixels is smaller than one tile of {side}")
    window = _window(side)
    views = np.lib.stride_tricks.sliding_window_view(_levelled(ground), (side, side))
    total = np.zeros((side, side // 2 + 1))
    for row in views[:: max(1, side // 2), :: max(1, side // 2)]:
        spectra = fft.rfft2(row * window, workers=1)
        total += np.sum(spectra.real**2 + spectra.imag**2, axis=0)
    count = math.prod(-(-(length - side + 1) // max(1, side // 2)) for length in (height, width))
    return np.asarray(total / (count * float(np.sum(window.astype(float) ** 2))))


@lru_cache(maxsize=64)
def _window(side: int) -> NDArray[np.float32]:
    line = np.hanning(side + 1)[:-1]  # scipy.signal would be half of all start-up time
    window = np.outer(line, line).astype(np.float32)
    window.flags.writeable = False
    return window


def _levelled(ground: NDArray[np.floating]) -> NDArray[np.float32]:
    """Return a ground less its least-squares plane, whose three terms are orthogonal on the grid."""
    height, width = ground.shape
    y, x = np.linspace(-1, 1, height), np.linspace(-1, 1, width)
    mean = float(ground.mean(dtype=float))
    # Single precision only after the level is off: what is left is small beside its rounding.
    level = (ground - mean).astype(np.float32)
    rise = y @ level.sum(axis=1, dtype=float) / (width * (y @ y))
    slope = x @ level.sum(axis=0, dtype=float) / (height * (x @ x))
    level -= (rise * y).astype(np.float32)[:, None]
    level -= (slope * x).astype(np.float32)
    return np.asarray(level)


def detectability(template: FloatArray, spectrum: FloatArray, side: int) -> float:
    """Return d′ = √(Σ|S|²/P / n²), S the template's transform on side², P the ground's spectrum.

    The prewhitening matched filter's signal-to-noise ratio, which no linear observer exceeds (Barrett &
    Myers, Foundations of Image Science, ch. 13, from memory). It holds for Gaussian ground; on texture
    it is a yardstick. The zero frequency is left out: the level of the ground is unknown.
    """
    transform = np.abs(fft.rfft2(template, s=(side, side), workers=1)) ** 2
    ratio = transform / np.maximum(spectrum, 1e-12)
    ratio[0, 0] = 0.0
    double = np.full(ratio.shape[1], 2.0)
    double[0] = 1.0
    if side % 2 == 0:
        double[-1] = 1.0
    return math.sqrt(float(np.sum(ratio * double))) / side
