"""Periodic Gaussian noise of a power-law amplitude spectrum, made by one Fourier transform.

Natural scenes have amplitude spectra near 1/f (exponents of about 0.9…1.4 in log luminance): D. J. Field,
J. Opt. Soc. Am. A 4(12), 2379 (1987), cited from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from .base import FloatArray
from .raster import smoothstep

SPLIT_OCTAVES = 0.5
"""Half width of the hand-over between the two grids, in octaves."""

TINY = np.float32(1e-20)
"""Stands for the zero frequency under a logarithm; any number far below one wave a frame would do."""


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Amplitude spectrum (f² + 1/longest²)^(−exponent/2), cut off beyond 1/finest.

    Attributes
    ----------
    exponent
        0 is white, 1 natural texture, 2 soft cloud.
    longest_px
        Waves longer than this are no stronger than it. None: twice the longer side of the frame.
    finest_px
        Waves shorter than this are left out; 2 keeps all. From 8 on the field is made on a coarser grid.
    stretch
        How many times longer than wide the features are; 1 is isotropic.
    angle_deg
        Direction of their length, counter-clockwise from the x axis as the picture is looked at.
    """

    exponent: float
    longest_px: float | None = None
    finest_px: float = 2.0
    stretch: float = 1.0
    angle_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Part:
    """The share of a spectrum that one grid carries."""

    spectrum: Spectrum
    longest: float
    step: int
    split_px: float
    long_waves: bool

    def amplitude(self, fy: FloatArray, fx: FloatArray) -> FloatArray:
        """Return the amplitude at frequencies in cycles per pixel, column `fy` against row `fx`."""
        squared = fx * fx + fy * fy
        amplitude = _power_law(self.spectrum, self.longest, fy, fx, squared)
        if self.long_waves:
            amplitude *= self._share(squared)
        elif math.isfinite(self.split_px):
            # Beyond the hand-over the share is one: only a corner of a large array is touched.
            end = 2**SPLIT_OCTAVES / self.split_px
            corner = np.ix_(np.abs(fy[:, 0]) <= end, fx[0] <= end)
            amplitude[corner] *= self._share(squared[corner])
        if self.spectrum.finest_px > 2.0:
            amplitude *= _cut_off(squared, self.spectrum.finest_px)
        # White noise on a grid of this step has step² times the density per cycle/pixel squared.
        return np.asarray(amplitude / np.float32(self.step), dtype=np.float32)

    def _share(self, squared: FloatArray) -> FloatArray:
        """Return the weight whose square, with that of the other grid, adds up to one."""
        octaves = 0.5 * np.log2(np.maximum(squared * np.float32(self.split_px**2), TINY))
        short = smoothstep(np.asarray(octaves, dtype=np.float32), -SPLIT_OCTAVES, SPLIT_OCTAVES)
        return np.asarray(np.sqrt(1 - short if self.long_waves else short), dtype=np.float32)


def _power_law(spectrum: Spectrum, longest: float, fy: FloatArray, fx: FloatArray, squared: FloatArray) -> FloatArray:
    if spectrum.stretch != 1.0:
        c, s = math.cos(math.radians(spectrum.angle_deg)), math.sin(math.radians(spectrum.angle_deg))
        root = math.sqrt(spectrum.stretch)
        # y runs down in a picture, so a counter-clockwise angle has the opposite sign here.
        along, across = (fx * c - fy * s) * np.float32(root), (fx * s + fy * c) * np.float32(1 / root)
        squared = along * along + across * across
    base = squared + np.float32(longest**-2)
    return np.asarray(base ** np.float32(-spectrum.exponent / 2), dtype=np.float32)


def _cut_off(squared: FloatArray, finest_px: float) -> FloatArray:
    """Return a Gaussian roll-off that is down to 1/e at the finest wave: no ringing, unlike a sharp edge."""
    return np.asarray(np.exp(squared * np.float32(-(finest_px**2))), dtype=np.float32)


def synthesise(
    shape: tuple[int, int], pad: tuple[int, int], part: Part, rng: np.random.Generator
) -> tuple[FloatArray, float]:
    """Return one grid's field, cut from a periodic one `pad` samples larger, and its expected variance."""
    from scipy import fft  # here, so that importing a background costs nothing

    h, w = (fft.next_fast_len(side + extra, real=True) for side, extra in zip(shape, pad, strict=True))
    amplitude, variance = _amplitude((h, w), part)
    waves = _deviates((h, 2 * amplitude.shape[1]), rng).view(np.complex64)
    waves *= amplitude
    periodic = fft.irfft2(waves, s=(h, w), workers=1, overwrite_x=True)
    return np.ascontiguousarray(periodic[: shape[0], : shape[1]]), variance


def _deviates(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Return random numbers of 256 values that are normal as nearly as so few can be, of mean 0 and variance 1.

    A field is the sum of so many waves that it is normal whatever their amplitudes are.
    """
    import cv2

    drawn = np.frombuffer(rng.bytes(shape[0] * shape[1]), dtype=np.uint8)
    return np.asarray(cv2.LUT(drawn.reshape(shape), _quantiles()), dtype=np.float32)


@cache
def _quantiles() -> FloatArray:
    """Return the normal distribution's quantiles in the middle of 256 equal shares, scaled to variance 1."""
    from scipy.special import ndtri

    quantiles = ndtri((np.arange(256) + 0.5) / 256)
    return np.asarray(quantiles / quantiles.std(), dtype=np.float32)


@lru_cache(maxsize=2)  # a flow's two directions have the same waves
def _amplitude(shape: tuple[int, int], part: Part) -> tuple[FloatArray, float]:
    """Return what unit noise is multiplied by for a periodic field of `shape`, and the field's variance."""
    h, w = shape
    fy = (np.fft.fftfreq(h) / part.step).astype(np.float32)[:, None]
    fx = (np.fft.rfftfreq(w) / part.step).astype(np.float32)[None, :]
    amplitude = part.amplitude(fy, fx)
    amplitude[0, 0] = 0.0
    variance = _variance(amplitude, w)
    # The transform back drops the imaginary half of the first column and of an even grid's last.
    amplitude[:, 0] *= np.float32(math.sqrt(2))
    if w % 2 == 0:
        amplitude[:, -1] *= np.float32(math.sqrt(2))
    amplitude *= np.float32(math.sqrt(h * w / 2))
    amplitude.flags.writeable = False
    return amplitude, variance


def _variance(amplitude: FloatArray, width: int) -> float:
    """Return the mean squared amplitude over the full grid, of which `amplitude` is one half."""
    power = np.einsum("ij,ij->j", amplitude, amplitude, dtype=np.float64)
    inner = 2 * power[1 : (width + 1) // 2].sum()
    edges = power[0] + (power[-1] if width % 2 == 0 else 0.0)
    return float((inner + edges) / (amplitude.shape[0] * width))
