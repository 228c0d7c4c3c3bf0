"""Paraxial (Fresnel) propagation of any mask, and the shadow it casts: the general path beside the disk's own."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from .bands import RGB_BANDS, Band
from .optics import Optics
from .pupil import pupil_transform

ComplexArray = NDArray[np.complex128]
FloatArray = NDArray[np.float64]


def propagate(field: ComplexArray, *, pitch_um: float, distance_um: float, wavelength_um: float) -> ComplexArray:
    """Return a field after free flight, without the factor exp(ikd): F·exp(−iπλd f²) in the spectrum.

    The grid is periodic: pad the field so that nothing returns from the far side.

    Parameters
    ----------
    field
        Complex amplitude (height, width).
    """
    fx = fft.fftfreq(field.shape[1], pitch_um)[None, :]
    fy = fft.fftfreq(field.shape[0], pitch_um)[:, None]
    turn = np.exp(-1j * math.pi * wavelength_um * distance_um * (fx * fx + fy * fy))
    return np.asarray(fft.ifft2(fft.fft2(field, workers=1) * turn, workers=1))


def plane_wave_depth(stopped: ComplexArray, *, pitch_um: float, distance_um: float, band: Band) -> FloatArray:
    """Return 1 − I behind a mask lit by a plane wave, averaged over a band, (height, width).

    Parameters
    ----------
    stopped
        1 − t, t the mask's amplitude transmittance; it must vanish towards the grid's rim. For an opaque
        object drawn with soft pixels t is √(1 − coverage): a linear edge would add 1.2 % of area.
    """
    total = np.zeros(stopped.shape)
    for wavelength, weight in zip(*band.nodes(9), strict=True):
        flown = propagate(stopped, pitch_um=pitch_um, distance_um=distance_um, wavelength_um=float(wavelength))
        total += weight * (2 * flown.real - np.abs(flown) ** 2)
    return total


def mask_stamp(
    stopped: ComplexArray, optics: Optics, *, per_pixel: int, bands: tuple[Band, ...] = RGB_BANDS
) -> FloatArray:
    """Return the transmission of any mask's shadow, float64 (bands, n, n), as `shadow.stamp` does for disks.

    Parameters
    ----------
    stopped
        1 − t on a square grid with `per_pixel` samples a pixel pitch, its side an odd multiple of
        `per_pixel`, `per_pixel` odd; the mask's centre on the middle sample.

    Raises
    ------
    ValueError
        If the grid is not as described.
    """
    side, odd = divmod(stopped.shape[0], per_pixel)
    if stopped.shape[0] != stopped.shape[1] or odd or side % 2 == 0 or per_pixel % 2 == 0:
        raise ValueError(f"a mask needs a square grid of an odd number of pixels, not {stopped.shape}")
    pitch = optics.pixel_um / per_pixel
    fx = fft.rfftfreq(stopped.shape[1], pitch)[None, :]
    fy = fft.fftfreq(stopped.shape[0], pitch)[:, None]
    blur = pupil_transform(optics, fx, fy) * np.sinc(fx * optics.pixel_um) * np.sinc(fy * optics.pixel_um)
    first = per_pixel // 2
    layers = []
    for band in bands:
        depth = plane_wave_depth(stopped, pitch_um=pitch, distance_um=optics.distance_um, band=band)
        blurred = fft.irfft2(fft.rfft2(depth, workers=1) * blur, s=depth.shape, workers=1)
        layers.append(1.0 - blurred[first::per_pixel, first::per_pixel])
    return np.stack(layers)
