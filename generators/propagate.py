"""Paraxial (Fresnel) propagation of any mask, and the shadow it casts: the general path beside the disk's own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, cast

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


class Drawing(NamedTuple):
    """A mask on a grid.

    Attributes
    ----------
    stopped
        A = 1 − t, complex (height, width).
    loss_um2
        ∫(1 − |t|²) in µm², the light it takes, 0 for a pure phase object; None if unknown.
    averaged
        Whether each sample is A's mean over its square, as soft edges are (A times the covered share), and
        not A at its centre.
    """

    stopped: ComplexArray
    loss_um2: float | None = None
    averaged: bool = False


def mask_stamp(
    drawing: Drawing | Sequence[Sequence[Drawing]],
    optics: Optics,
    *,
    per_pixel: int,
    bands: tuple[Band, ...] = RGB_BANDS,
) -> FloatArray:
    """Return the transmission of any mask's shadow, float64 (bands, h, w), as `shadow.stamp` does for disks.

    T = 1 − ⟨2 Re F[A] − |F[A]|²⟩ ⊛ projected pupil ⊛ pixel square.

    Soft edges as mean amplitudes keep the term that is linear in A exact on coarse grids once the sample
    square is divided out of its spectrum. They miss a part of ∫|A|²: light that sharp edges throw further
    than λd/(2·pitch). What is missing of the energy is laid over the stamp as a faint plateau. (The usual
    remedy, edges with t = √(1 − share), keeps the energy but errs up to ten times as much in depth.)

    Parameters
    ----------
    drawing
        On a grid with `per_pixel` samples a pixel pitch, each side an odd multiple of `per_pixel`,
        `per_pixel` odd; the middle sample is the middle of the stamp. One for all wavelengths, or for each
        band one at each of the wavelengths of `Band.nodes`.
    bands
        Passbands, one layer each. A drawing for all wavelengths is flown at the band's centre only: pupil and
        pixel blur the fringes far more than the band does (against nine wavelengths stamps move by 5e-4).

    Raises
    ------
    ValueError
        If the grid is not as described.
    """
    first = drawing if isinstance(drawing, Drawing) else drawing[0][0]
    _check_grid(first.stopped.shape, per_pixel)
    grid = _Grid(first.stopped.shape, optics, per_pixel)
    blur = grid.blur()
    spectra = [grid.spectrum(drawing)] if isinstance(drawing, Drawing) else []
    layers = []
    for number, band in enumerate(bands):
        flown = spectra or [grid.spectrum(each) for each in cast("Sequence[Sequence[Drawing]]", drawing)[number]]
        depth = np.zeros(grid.shape, np.float32)
        for spectrum, wavelength, weight in zip(flown, *band.nodes(len(flown)), strict=True):
            depth += np.float32(weight) * grid.depth(spectrum, float(wavelength))
        layers.append(grid.sampled(fft.rfft2(depth, workers=1, overwrite_x=True) * blur))
    depths = np.stack(layers)
    return 1.0 - (depths if first.loss_um2 is None else _settled(depths, first.loss_um2 / optics.pixel_um**2))


@dataclass(frozen=True, slots=True)
class _Grid:
    """Samples of the plane of the filter, in single precision: 1e-6 of a transmission."""

    shape: tuple[int, ...]
    optics: Optics
    per_pixel: int

    @property
    def pitch_um(self) -> float:
        return self.optics.pixel_um / self.per_pixel

    def frequencies(self) -> tuple[FloatArray, FloatArray]:
        """Return f_x (1, width) and f_y (height, 1)."""
        return fft.fftfreq(self.shape[1], self.pitch_um)[None, :], fft.fftfreq(self.shape[0], self.pitch_um)[:, None]

    def blur(self) -> NDArray[np.complex64]:
        """Return the transform of projected pupil and pixel square on the half plane."""
        pixel_um = self.optics.pixel_um
        fx, fy = fft.rfftfreq(self.shape[1], self.pitch_um)[None, :], self.frequencies()[1]
        upper = fy[: self.shape[0] // 2 + 1]
        pupil = pupil_transform(self.optics, fx, upper)
        if self.optics.blades == 0:  # even in both directions
            pupil = np.concatenate([pupil, pupil[-1:0:-1]])
        else:
            pupil = np.concatenate([pupil, pupil_transform(self.optics, fx, fy[len(upper) :])])
        return np.asarray((pupil * np.sinc(fx * pixel_um) * np.sinc(fy * pixel_um)).astype(np.complex64))

    def sampled(self, spectrum: NDArray[np.complex64]) -> FloatArray:
        """Return the field of a half-plane spectrum at the middle sample of every pixel, float64 (height, width).

        Rows are sampled in the spectrum, by adding up what they would alias to.
        """
        step, (height, width) = self.per_pixel, self.shape
        spectrum *= np.exp(2j * math.pi * self.frequencies()[1] * self.pitch_um * (step // 2)).astype(np.complex64)
        folded = spectrum.reshape(step, height // step, -1).sum(axis=0) / np.float32(step)
        lines = fft.irfft(fft.ifft(folded, axis=0, workers=1, overwrite_x=True), n=width, axis=1, workers=1)
        return np.asarray(lines[:, step // 2 :: step], dtype=float)

    def spectrum(self, drawing: Drawing) -> NDArray[np.complex64]:
        """Return the transform of A, freed from the sample square if its samples are averages."""
        transform = fft.fft2(drawing.stopped.astype(np.complex64), workers=1)
        if drawing.averaged:
            for f in self.frequencies():
                transform /= np.sinc(f * self.pitch_um).astype(np.float32)
        return cast("NDArray[np.complex64]", transform)

    def depth(self, spectrum: NDArray[np.complex64], wavelength_um: float) -> NDArray[np.float32]:
        """Return 1 − I = 2 Re F[A] − |F[A]|² for a plane wave."""
        fx, fy = self.frequencies()
        rate = -1j * math.pi * wavelength_um * self.optics.distance_um
        turned = spectrum * np.exp(rate * fx * fx).astype(np.complex64)
        turned *= np.exp(rate * fy * fy).astype(np.complex64)
        turned[0, 0] -= np.float32(math.prod(self.shape))  # F[A] − 1, whose square is the intensity
        flown = fft.ifft2(turned, workers=1, overwrite_x=True).view(np.float32)
        flown *= flown
        return np.asarray(1 - flown[:, 0::2] - flown[:, 1::2])


def _check_grid(shape: tuple[int, ...], per_pixel: int) -> None:
    sides = [divmod(length, per_pixel) for length in shape]
    if per_pixel % 2 == 0 or any(odd or side % 2 == 0 for side, odd in sides):
        raise ValueError(f"a mask needs a grid of an odd number of pixels each way, not {shape} at {per_pixel}")


def _settled(depths: FloatArray, loss_px2: float) -> FloatArray:
    """Return depths (bands, h, w) with each layer's sum brought to `loss_px2` by a plateau with soft flanks."""
    from scipy.signal.windows import tukey  # half of all start-up time, and few kinds of dust need it

    window = np.outer(tukey(depths.shape[1] + 2)[1:-1], tukey(depths.shape[2] + 2)[1:-1])
    missing = loss_px2 - depths.sum(axis=(1, 2))
    return np.asarray(depths + missing[:, None, None] * window / window.sum())
