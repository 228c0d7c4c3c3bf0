"""The shadow of a grain as pixels record it: a stamp of transmission per colour band."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from .bands import RGB_BANDS, Band
from .disk import band_ambiguity, disk_transform, shadow_spectrum
from .lattice import lattice
from .optics import Optics
from .pupil import pupil_transform

FloatArray = NDArray[np.float64]
Model = Literal["wave", "geometric"]

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Weights of linear red, green and blue in luminance (IEC 61966-2-1)."""

OVERSAMPLING = 3
"""Samples a pixel pitch under a bladed pupil; odd, so that pixel centres stay samples.

Against 9 the stamps of 5–100 µm grains at f/4…f/32 move by less than 3e-4 in transmission."""

_RING = 1.5
"""Reach of the stamp beyond the geometric edge in units of λd/p, the radius of a small grain's first ring."""

_FRINGE = 2.0
"""Its least reach in units of √(λd), the width of the fringes along a large grain's edge.

With both, T has come within 5e-3 of 1 at the rim for 5–150 µm, 0.5–3 mm, f/4–f/32; typically 2e-4."""


@dataclass(frozen=True, slots=True)
class Shadow:
    """A shadow on the pixel grid.

    Attributes
    ----------
    transmission
        T, float64 (3, h, w) for red, green, blue; h and w odd, read-only. The stamp's middle pixel lies on
        the frame's pixel nearest to the centre.
    row, column
        The frame's pixel under the stamp's middle pixel.
    x, y
        Centre in pixels of the frame; (0, 0) is the centre of the first pixel.
    across_px
        For what is not round: the full width at half depth across its darkest place. None for disks.
    """

    transmission: FloatArray
    row: int
    column: int
    x: float
    y: float
    across_px: float | None = None
    _light: NDArray[np.float32] | None = field(default=None, init=False, repr=False, compare=False)

    def light(self) -> NDArray[np.float32]:
        """Return T as a picture, float32 (h, w, 3), read-only; made once, as a kept shadow is laid time and again."""
        if self._light is not None:
            return self._light
        from .cv import cv2  # here, so that importing a scene costs nothing

        light: NDArray[np.float32] = cv2.merge(list(self.transmission.astype(np.float32)))
        light.flags.writeable = False
        object.__setattr__(self, "_light", light)
        return light

    @property
    def depth(self) -> FloatArray:
        """1 − T in luminance, (h, w)."""
        return 1.0 - np.tensordot(LUMINANCE, self.transmission, axes=1)

    @property
    def peak_depth(self) -> float:
        """The largest 1 − T in luminance."""
        return float(self.depth.max())

    @property
    def loss_px2(self) -> float:
        """The light taken, ∫(1 − T) in pixel areas."""
        return float(self.depth.sum())

    @property
    def fwhm_px(self) -> float:
        """Full width at half the peak depth, in pixels: of a disk the mean of horizontal and vertical, else across."""
        if self.across_px is not None:
            return self.across_px
        depth = self.depth
        middle = depth.shape[0] // 2
        return 0.5 * (_width(depth[middle]) + _width(depth[:, middle]))


def _width(line: FloatArray) -> float:
    """Return the distance between the outermost crossings of half the maximum, by linear interpolation."""
    half = float(line.max()) / 2
    above = np.flatnonzero(line >= half)
    first, last = int(above[0]), int(above[-1])
    left = first - (line[first] - half) / (line[first] - line[first - 1]) if first > 0 else first
    right = last + (line[last] - half) / (line[last] - line[last + 1]) if last < len(line) - 1 else last
    return float(right - left)


def stamp_size(diameter_um: float, optics: Optics) -> int:
    """Return the odd side in pixels that holds the shadow and its bright halo."""
    drift = RGB_BANDS[0].centre_um * optics.distance_um
    halo = max(_RING * drift / diameter_um, _FRINGE * math.sqrt(drift))
    half_um = (diameter_um + optics.blur_um) / 2 + halo
    return odd_fast_length(2 * math.ceil(half_um / optics.pixel_um) + 5)


@lru_cache(maxsize=512)
def odd_fast_length(least: int) -> int:
    """Return the smallest odd number ≥ `least` with no prime factor above 11, quick to transform."""
    length = least | 1
    while True:
        rest = length
        for prime in (3, 5, 7, 11):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return length
        length += 2


def stamp(
    diameter_um: float,
    optics: Optics,
    *,
    offset_px: tuple[float, float] = (0.0, 0.0),
    model: Model = "wave",
    bands: tuple[Band, ...] = RGB_BANDS,
) -> FloatArray:
    """Return the transmission T of an opaque grain's shadow, float64 (bands, n, n), n odd.

    T = 1 − S ⊛ projected pupil ⊛ pixel square, sampled at pixel centres; for a uniform scene this is
    exact whatever the lens's aberrations, so no lens blur is added.

    Parameters
    ----------
    diameter_um
        Grain diameter p.
    optics
        Aperture, filter distance and pixel pitch.
    offset_px
        (x, y) of the shadow's centre from the middle pixel's centre.
    model
        ``"wave"``, or ``"geometric"`` (rays) for comparison.
    bands
        Passbands, one layer each.

    Raises
    ------
    ValueError
        If the diameter is not a positive number or the model is unknown.
    """
    if not (math.isfinite(diameter_um) and diameter_um > 0):
        raise ValueError(f"a grain's diameter must be a positive number of µm, not {diameter_um!r}")
    if model not in ("wave", "geometric"):
        raise ValueError(f"unknown shadow model {model!r}; known are wave, geometric")
    cast_by = _round_depth if optics.blades == 0 else _bladed_depth
    depth = cast_by(diameter_um, optics, offset_px, model, bands)
    return np.subtract(1.0, depth, out=depth)


def _round_depth(
    diameter_um: float, optics: Optics, offset_px: tuple[float, float], model: Model, bands: tuple[Band, ...]
) -> FloatArray:
    """Return 1 − T under a round pupil: a sum of cosines, as the spectrum is real and even."""
    frequencies = lattice(diameter_um, optics, side=stamp_size(diameter_um, optics), bands=bands)
    outline = disk_transform(frequencies.radii, diameter_um)
    if model == "geometric":
        spectra = np.broadcast_to(outline, (len(bands), len(outline)))
    else:
        ambiguity = band_ambiguity(frequencies.radii, diameter_um, optics.distance_um, bands)
        spectra = 2 * outline * frequencies.turns - ambiguity
    return frequencies.sum(spectra, offset_px)


def _bladed_depth(
    diameter_um: float, optics: Optics, offset_px: tuple[float, float], model: Model, bands: tuple[Band, ...]
) -> FloatArray:
    """Return 1 − T under a polygon, whose transform is complex for odd blades: a Fourier sum on a finer grid."""
    side = stamp_size(diameter_um, optics)
    fine = side * OVERSAMPLING
    pitch = optics.pixel_um / OVERSAMPLING
    fx = fft.rfftfreq(fine, pitch)[None, :]
    fy = fft.fftfreq(fine, pitch)[:, None]
    # The zero of space goes to the middle sample; the offset rides on the same phase.
    place = fine // 2 + OVERSAMPLING * np.asarray(offset_px)
    turn = np.exp(-2j * math.pi * pitch * fx * place[0]) * np.exp(-2j * math.pi * pitch * fy * place[1])
    shape = _bladed_filter(optics, side) * turn
    first = OVERSAMPLING // 2
    layers = []
    for band in bands:
        spectrum = _radial(np.hypot(fx, fy), diameter_um, optics, band, model)
        depth = fft.irfft2(spectrum * shape, s=(fine, fine), workers=1)
        layers.append(depth[first::OVERSAMPLING, first::OVERSAMPLING])
    return np.stack(layers)


@lru_cache(maxsize=16)
def _bladed_filter(optics: Optics, side: int) -> NDArray[np.complex128]:
    """Return pupil times pixel over the sample's area, on the finer grid's frequencies."""
    pitch = optics.pixel_um / OVERSAMPLING
    fx = fft.rfftfreq(side * OVERSAMPLING, pitch)[None, :]
    fy = fft.fftfreq(side * OVERSAMPLING, pitch)[:, None]
    square = np.sinc(fx * optics.pixel_um) * np.sinc(fy * optics.pixel_um) / pitch**2
    shape = pupil_transform(optics, fx, fy) * square
    shape.flags.writeable = False
    return np.asarray(shape)


def _radial(f: FloatArray, diameter_um: float, optics: Optics, band: Band, model: Model) -> FloatArray:
    """Return S(f) on a grid from a table over the radius.

    The table's step resolves the fastest turn of S, 1/p in Â and 1/(λdf) in the cosine, by 64 samples:
    linear interpolation then errs by at most (2π/64)²/8 = 1.2e-3 of a spectrum that is by then small.
    """
    top = float(f.max())
    rate = max(diameter_um, optics.distance_um * band.centre_um * min(top, 0.15))
    table = np.linspace(0.0, top, max(64, math.ceil(64 * top * rate)))
    if model == "geometric":
        values = disk_transform(table, diameter_um)
    else:
        values = shadow_spectrum(table, diameter_um=diameter_um, distance_um=optics.distance_um, band=band)
    return np.interp(f, table, values)


def cast(diameter_um: float, optics: Optics, *, x: float, y: float, model: Model = "wave") -> Shadow:
    """Return the shadow of an opaque grain whose centre falls on (x, y) in pixels of the frame."""
    column, row = round(x), round(y)
    transmission = stamp(diameter_um, optics, offset_px=(x - column, y - row), model=model)
    transmission.flags.writeable = False
    return Shadow(transmission=transmission, row=row, column=column, x=x, y=y)
