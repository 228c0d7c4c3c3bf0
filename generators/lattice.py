"""The frequencies of a stamp: an even, real spectrum summed as cosines at any sub-pixel place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .bands import Band
from .optics import Optics
from .pupil import jinc

FloatArray = NDArray[np.float64]

_CUT = 0.08
"""Factor of `highest_frequency`, chosen so that no stamp moves by more than 1.1e-4 (5–150 µm, f/4–f/32, 3–9 µm)."""

_STEP = 8
"""The number of frequencies is rounded up to a multiple of this, so that nearby sizes share a lattice."""


_SINGLE_THREAD = 200_000
"""Multiplications in one matrix product; OpenBLAS starts a second thread above 2^18 (from its source)."""


def highest_frequency(diameter_um: float, optics: Optics) -> float:
    """Return the frequency in cycles/µm beyond which pupil and pixel leave nothing that matters of a shadow.

    Far out |S| falls as √a f^(−3/2), the round pupil as (blur·f)^(−3/2), the pixel as 1/(pitch·f); what
    lies beyond f in ∫ |S·P̂·sinc| 2πf df is then as √a·blur^(−3/2)/(pitch·f²), a fixed tolerance of which is f.
    """
    loss = math.sqrt(diameter_um / 2) / (optics.blur_um**1.5 * optics.pixel_um)
    return _CUT * math.sqrt(loss / 1e-4)


@dataclass(frozen=True, slots=True)
class Lattice:
    """The frequencies (i, j)/period of a square stamp whose spectrum is even in both directions.

    Attributes
    ----------
    radii
        Distinct radial frequencies in cycles/µm inside the cut.
    index
        Place of (i, j) in `radii`, (K, K); the entry behind the last one beyond the cut.
    pupil
        Transform of the round pupil at `radii`.
    turns
        ⟨cos πλdf²⟩ at `radii` for each band, (bands, len(radii)).
    cosine, sine
        cos and sin of 2πjk/n, (n, K), j counted from the middle pixel, times what turns the plane-wave
        spectrum into cosine coefficients: pixel, number of equal terms and side of the stamp.
    """

    radii: FloatArray
    index: NDArray[np.intp]
    pupil: FloatArray
    turns: FloatArray
    cosine: FloatArray
    sine: FloatArray

    def sum(self, spectra: FloatArray, offset_px: tuple[float, float]) -> FloatArray:
        """Return Σ S cos(2πi(y − y₀)/n) cos(2πj(x − x₀)/n) on the pixels, (layers, n, n).

        Parameters
        ----------
        spectra
            Values at `radii`, (layers, len(radii)).
        offset_px
            (x₀, y₀) from the middle pixel.
        """
        padded = np.zeros((len(spectra), len(self.radii) + 1))
        np.multiply(spectra, self.pupil, out=padded[:, :-1])
        x0, y0 = offset_px
        coefficients = np.take(padded, self.index, axis=1, mode="clip")  # nothing is beyond: this spares the check
        return _product(_product(self._waves(y0), coefficients), self._waves(x0).T)

    def _waves(self, shift: float) -> FloatArray:
        turn = 2 * math.pi * shift / len(self.cosine) * np.arange(self.cosine.shape[1])
        waves = self.cosine * np.cos(turn)
        waves += self.sine * np.sin(turn)
        return np.asarray(waves)


def _product(left: FloatArray, right: FloatArray) -> FloatArray:
    """Return left @ right in blocks of rows so small that no linear-algebra library shares one out over threads.

    How a product is shared out changes its last bits, and a shadow must not depend on the number of threads.
    """
    rows = max(1, _SINGLE_THREAD // (right.shape[-2] * right.shape[-1]))
    batch = np.broadcast_shapes(left.shape[:-2], right.shape[:-2])
    out = np.empty((*batch, left.shape[-2], right.shape[-1]))
    for first in range(0, left.shape[-2], rows):
        part = (..., slice(first, first + rows), slice(None))
        np.matmul(left[part], right, out=out[part])
    return out


def lattice(diameter_um: float, optics: Optics, *, side: int, bands: tuple[Band, ...]) -> Lattice:
    """Return the lattice for a grain's stamp of `side` pixels under a round pupil."""
    period = side * optics.pixel_um
    count = math.ceil(highest_frequency(diameter_um, optics) * period) + 1
    return _lattice(optics.distance_um, optics.blur_um, optics.pixel_um, side, _STEP * math.ceil(count / _STEP), bands)


@lru_cache(maxsize=64)
def _lattice(  # noqa: PLR0913, PLR0917 — the key of the cache is what the lattice depends on, no more
    distance_um: float, blur_um: float, pixel_um: float, side: int, count: int, bands: tuple[Band, ...]
) -> Lattice:
    period = side * pixel_um
    square = np.add.outer(np.arange(count) ** 2, np.arange(count) ** 2)
    squares, place = np.unique(square[square < count * count], return_inverse=True)
    index = np.full((count, count), len(squares))
    index[square < count * count] = place
    radii = np.sqrt(squares) / period
    k = np.arange(count)
    weights = np.where(k == 0, 1.0, 2.0) * np.sinc(k / side) / period
    phase = 2 * math.pi / side * np.multiply.outer(np.arange(side) - side // 2, k)
    parts = {
        "radii": radii,
        "index": index,
        "pupil": jinc(math.pi * blur_um * radii),
        "turns": np.stack([band.mean_cosine(math.pi * distance_um * radii**2) for band in bands]),
        "cosine": np.cos(phase) * weights,
        "sine": np.sin(phase) * weights,
    }
    for part in parts.values():
        part.flags.writeable = False
    return Lattice(**parts)
