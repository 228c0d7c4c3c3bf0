"""What speaks against a fitted shadow: squares that it leaves, depth that the picture lacks, light that would shine."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from ...detectors.contract import FloatArray
from ...detectors.whitening import HOP, TILE, ComplexArray
from .shadow_bank import ACROSS, TWICE, WINDOW, Array

ORDINARY = 3.0
"""Times the neighbours' mean square that is left under a core on ordinary ground, which is not the same everywhere."""

SHOWN, SURELY = 0.7, 2.0
"""A fitted shadow of whose depth the picture shows less than the first, and less than 1 by so many of its standard
deviations, is none. Of 2,200 true ones four were lost by it, of matched's false alarms in clear sky three in four
(develop)."""

CODED = 1 / 8
"""Share of the coding's floor that is counted there: of what JPEG at quality 92 left under true shadows, divided by
their own T, the power density is 1–4e-4 at all scales above three pixels."""

GLOW, SPREADS, RING = 0.15, 1.5, (1.3, 2.2)
"""What is left under a core is no ground if its mean lies so much of what the shadow took above that of the ring about
it, and so many of the ring's standard deviations; the ring's radii in units of the core's. Of 1,000 true shadows none
was lost, of matched's false alarms one in seven in clouds and three in five in snow with rocks (develop): gaps and
stones' edges that would shine."""

CORE = 0.8
"""Radius of the core that is compared with the ring, in half widths."""

_MIDDLE = slice(HOP // 2, -(HOP // 2))
_INNER = ACROSS[_MIDDLE]


def under(places: Array, radius: Array) -> NDArray[np.bool_]:
    """Return which pixels of tiles' inner parts lie within a radius of places, (m, HOP, HOP)."""
    return np.asarray(_apart(places, _INNER) <= radius[:, None, None])


def _apart(places: Array, line: NDArray[np.intp]) -> Array:
    return np.asarray(np.hypot(line[:, None] - places[:, :1, None], line - places[:, 1:, None]))


def misfits(left: ComplexArray, shadow: ComplexArray, whitener: FloatArray, near: NDArray[np.bool_]) -> Array:
    """Return what is left under the core beyond the neighbours' noise, as a share of what the shadow took, (m,).

    Parameters
    ----------
    whitener
        1/√P of the neighbours' noise.
    """
    over, taken = (_pictures(spectra * whitener)[:, _MIDDLE, _MIDDLE] ** 2 for spectra in (left, shadow))
    count = near.sum(axis=(1, 2))
    excess = (over * near).sum(axis=(1, 2)) - ORDINARY * count
    return np.asarray(np.maximum(excess, 0) / (taken * near).sum(axis=(1, 2)), dtype=float)


def fainter(tiles: ComplexArray, shadow: ComplexArray, power: FloatArray) -> Array:
    """Return ln of how much likelier shadows are than fainter ones that fit best, (m,); inf where they may be.

    The best amplitude is a = Σ Re F S*/P / Σ |S|²/P, its standard deviation 1/d′, d′² = Σ |S|²/P, and the logarithm
    −(1 − a)² d′²/2.
    """
    weight = TWICE / power / TILE**2
    energy = (weight * (shadow.real**2 + shadow.imag**2)).sum(axis=(1, 2))
    shown = (weight * (tiles * shadow.conj()).real).sum(axis=(1, 2)) / energy
    apart = (1 - shown) * np.sqrt(energy)
    return np.asarray(np.where((shown < SHOWN) & (apart > SURELY), -0.5 * apart**2, np.inf))


def glowing(left: ComplexArray, shadow: ComplexArray, places: Array, radius: Array) -> NDArray[np.bool_]:
    """Return which shadows leave light under their core that shines out of the ring about it, (m,)."""
    ground, taken = _pictures(left), _pictures(shadow)
    apart = _apart(places, ACROSS) / radius[:, None, None]
    core, ring = apart <= CORE, (apart > RING[0]) & (apart <= RING[1])
    mean = _mean(ground, ring)
    spread = np.sqrt(np.maximum(_mean(ground**2, ring) - mean**2, 0))
    return np.asarray(_mean(ground, core) - mean - SPREADS * spread > GLOW * (_mean(taken, ring) - _mean(taken, core)))


def _mean(pictures: FloatArray, where: NDArray[np.bool_]) -> Array:
    return np.asarray((pictures * where).sum(axis=(1, 2)) / np.maximum(where.sum(axis=(1, 2)), 1), dtype=float)


def _pictures(spectra: ComplexArray) -> FloatArray:
    """Return tiles without their window."""
    return np.asarray(fft.irfft2(spectra, s=(TILE, TILE), workers=1) / WINDOW, dtype=np.float32)
