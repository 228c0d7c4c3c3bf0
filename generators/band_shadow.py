"""The shadow of an opaque narrow band, such as a fibre: right to 1e-3 on a coarse grid.

T = 1 − ⟨2 Re F[A] − |F[A]|²⟩ ⊛ projected pupil ⊛ pixel square, in three parts:

* 2 Re F[A] has the spectrum 2 Â(f) cos πλd f², of which pupil and pixel leave the lowest frequencies only, and a
  spline-smoothed mask (`spline_cover`) has Â right there;
* |F[A]|² of the frequencies that the grid holds, cut by a soft window, is squared in space;
* |F[A]|² of all beyond is light thrown far aside, which has left the interference behind it and is laid by rays
  (`edge_waves`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from .bands import RGB_BANDS, Band
from .edge_waves import Thrower, thrown, window
from .optics import Optics
from .outline import band as outline_of
from .outline import reach
from .pupil import pupil_transform
from .shadow import odd_fast_length
from .spline_cover import smoothing, spline_cover

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
Complex64Array = NDArray[np.complex64]

_PITCH_UM, _PITCH_BY_DISTANCE, _PITCH_BY_APERTURE, _COARSEST_UM = 3.8, 0.85, 0.4, 5.5
"""Sample pitch up to f/8 at 1 mm, the powers by which it grows with the distance and falls with the f-number, and its
bound."""

_HALO, _HALO_BY_APERTURE, _MOST_HALO, _RING = 3.0, 0.37, 5.0, 1.5
"""Room about a band in units of √(λd) up to f/8, more where the shadow is sharper, at most; and that of the first ring
of a narrow one in units of λd/width."""

_RIM_UM = 16.0
"""At most so much more room, half the pupil's image, so that nothing bright beyond the far rim is blurred into it."""

_WIDE_BLUR, _NARROW_BLUR = 40.0, 5.2
"""Widths of the pupil's image in pixels: of a wider one than the first frequencies up to half a cycle a pixel are all
that pupil and pixel leave, down to the second those up to one, and so on."""

_OF_BEAT, _RAYS_UM = 0.3, 6.0
"""Step along a ray, in periods of the beat of the two edges' light, and at most."""


def band_stamp(
    centreline: FloatArray,
    width_um: float,
    optics: Optics,
    *,
    offset_px: tuple[float, float] = (0.0, 0.0),
    bands: tuple[Band, ...] = RGB_BANDS,
) -> FloatArray | None:
    """Return the transmission T of an opaque band, float64 (bands, h, w), h and w odd; None if it crosses itself.

    Each passband is flown at its centre: pupil and pixel blur the fringes far more than the band does.
    Light that is thrown beyond the stamp is not in it, so that ∫(1 − T) is a little more than the band's area.

    Parameters
    ----------
    centreline
        (n, 2) in µm about the stamp's middle.
    offset_px
        (x, y) of the centreline's origin from the middle pixel's centre.
    """
    outline = outline_of(centreline, width_um)
    grid = _grid(outline, width_um, optics, offset_px)
    share = spline_cover(grid.samples(outline), grid.shape)
    if share is None:
        return None
    drifts = np.array([band.centre_um for band in bands]) * optics.distance_um
    points, light = thrown(centreline, Thrower(width_um, drifts, grid.top, _ray_step_um(width_um, optics)))
    return 1.0 - grid.depths(share, drifts, points, light)


@dataclass(frozen=True, slots=True)
class _Grid:
    """Samples of a box of whole pixels, of any number: fine enough for the field, quick to transform.

    Attributes
    ----------
    optics
        Blur and pixel.
    pixels
        Pixels down and across, odd.
    shape
        Samples down and across.
    centre_px
        (x, y) of the band's origin from the middle pixel's centre.
    """

    optics: Optics
    pixels: tuple[int, int]
    shape: tuple[int, int]
    centre_px: tuple[float, float]

    @property
    def finest(self) -> int:
        """Frequencies up to half so many cycles a pixel are kept."""
        blur_px = self.optics.blur_um / self.optics.pixel_um
        return 1 if blur_px > _WIDE_BLUR else 1 + math.ceil(_NARROW_BLUR / blur_px)

    @property
    def pitch_um(self) -> FloatArray:
        """Pitch across and down."""
        return np.asarray(self.optics.pixel_um * np.array(self.pixels[::-1]) / np.array(self.shape[::-1]))

    @property
    def top(self) -> float:
        """The highest frequency that the samples hold both ways."""
        return 0.5 / float(self.pitch_um.max())

    def samples(self, points: FloatArray) -> FloatArray:
        """Return points (n, 2) in µm from the band's origin in samples from the first one."""
        middle = (np.array(self.shape[::-1]) - 1) / 2
        return np.asarray((points + self.optics.pixel_um * np.array(self.centre_px)) / self.pitch_um + middle)

    def cells(self, points: FloatArray) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
        """Return the samples nearest to points that lie inside, as flat indices, and which points do."""
        height, width = self.shape
        column, row = np.rint(self.samples(points)).astype(np.intp).T
        inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        return (row * width + column)[inside], inside

    def depths(
        self, share: Float32Array, drifts_um2: FloatArray, points: FloatArray, light_um2: FloatArray
    ) -> FloatArray:
        """Return 1 − T at the pixels, float64 (bands, h, w), of a smoothed share and light beyond the grid's band."""
        pitch = self.pitch_um.astype(np.float32)
        fx = fft.rfftfreq(self.shape[1], pitch[0]).astype(np.float32)
        fy = fft.fftfreq(self.shape[0], pitch[1]).astype(np.float32)[:, None]
        low = self._low()
        mask = fft.rfft2(share, workers=1)
        across, down = smoothing(fx * pitch[0], fy * pitch[1])
        mask /= across * down
        plain = 2 * mask[low]
        mask *= window(np.hypot(fx, fy), self.top)
        blur = self._blur(fx[low[1]].astype(float), fy[low[0]].astype(float))
        cells, inside = self.cells(points)
        beyond = (light_um2 / math.prod(self.pitch_um)).astype(np.float32)[:, inside]
        layers = []
        for drift, rays in zip(drifts_um2, beyond, strict=True):
            turn = np.exp(-1j * math.pi * drift * fy * fy).astype(np.complex64)
            turn = turn * np.exp(-1j * math.pi * drift * fx * fx).astype(np.complex64)
            square = np.zeros(self.shape, np.float32)
            np.add.at(square.reshape(-1), cells, rays)
            for part in (turn.real, turn.imag):
                field = fft.irfft2(mask * part, s=self.shape, workers=1, overwrite_x=True)
                field *= field
                square += field
            lines = fft.rfft(square, axis=1, workers=1)[:, low[1]]
            spectrum = plain * turn.real[low] - fft.fft(lines, axis=0, workers=1)[low[0]]
            spectrum *= blur
            layers.append(self._sampled(spectrum))
        return np.stack(layers)

    def _low(self) -> tuple[NDArray[np.intp], slice]:
        """Return the rows, zero first and negative ones last, and the columns of the half plane that are kept."""
        finest = self.finest
        tall, wide = (min(finest * side // 2, (n - 1) // 2) for side, n in zip(self.pixels, self.shape, strict=True))
        return np.concatenate([np.arange(tall + 1), np.arange(-tall, 0)]), slice(0, wide + 1)

    def _blur(self, fx: FloatArray, fy: FloatArray) -> Complex64Array:
        """Return the transform of pupil and pixel, and the phase that brings pixel centres onto the first sample."""
        pixel_um = self.optics.pixel_um
        if self.optics.blades == 0:  # even in both directions
            half = pupil_transform(self.optics, fx, fy[: len(fy) // 2 + 1])
            pupil = np.concatenate([half, half[:0:-1]])
        else:
            pupil = pupil_transform(self.optics, fx, fy)
        aside = (pixel_um - self.pitch_um) / 2
        across, down = (
            np.sinc(f * pixel_um) * np.exp(2j * math.pi * f * shift) for f, shift in zip((fx, fy), aside, strict=True)
        )
        scale = math.prod(self.pixels) / math.prod(self.shape)
        return np.asarray((pupil * (scale * across) * down).astype(np.complex64))

    def _sampled(self, spectrum: Complex64Array) -> FloatArray:
        """Return the field of the low frequencies at the pixels, float64 (h, w): both ways summed over aliases."""
        height, width = self.pixels
        finest = self.finest
        rows, tall = np.zeros((finest * height, spectrum.shape[1]), np.complex64), len(spectrum) // 2
        rows[: tall + 1], rows[len(rows) - tall :] = spectrum[: tall + 1], spectrum[tall + 1 :]
        folded = rows.reshape(finest, height, -1).sum(axis=0)
        folded = fft.ifft(folded, axis=0, workers=1, overwrite_x=True)
        lines = fft.irfft(folded, n=finest * width, axis=1, workers=1)
        return np.asarray(lines[:, ::finest], dtype=float) * finest


def _grid(outline: FloatArray, width_um: float, optics: Optics, offset_px: tuple[float, float]) -> _Grid:
    """Return a box that holds a band, its blur and its halo, and its samples."""
    drift = RGB_BANDS[0].centre_um * optics.distance_um
    sharper = max(optics.f_number / 8, 1.0)
    fringes = _HALO * sharper**_HALO_BY_APERTURE * math.sqrt(drift)
    halo = min(max(_RING * drift / width_um, fringes), _MOST_HALO * math.sqrt(drift))
    margin = optics.blur_um / 2 + halo + min(optics.blur_um / 2, _RIM_UM)
    pixel_um = optics.pixel_um
    across, down = (odd_fast_length(2 * math.ceil((half + margin) / pixel_um) + 3) for half in reach(outline))
    pitch = _PITCH_UM * (optics.distance_um / 1000) ** _PITCH_BY_DISTANCE * sharper**-_PITCH_BY_APERTURE
    pitch = min(pitch, _COARSEST_UM)
    tall, wide = (fft.next_fast_len(math.ceil(side * pixel_um / pitch), real=True) for side in (down, across))
    return _Grid(optics, (down, across), (tall, wide), offset_px)


def _ray_step_um(width_um: float, optics: Optics) -> float:
    """Return a step along a ray that follows the beat of the two edges' light, λd/width."""
    shortest = min(band.centre_um for band in RGB_BANDS)
    return min(_OF_BEAT * shortest * optics.distance_um / width_um, _RAYS_UM)
