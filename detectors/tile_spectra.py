"""Spectra of tiles about places, and of shadows laid into their middle: what a second look at places starts from."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from .contract import FloatArray
from .whitening import ComplexArray, template_spectrum, twice_inside


def windowed_template(template: FloatArray, window: FloatArray) -> ComplexArray:
    """Return the spectrum of a template in the middle of a tile, under the tile's window, without its mean."""
    side = len(window)
    centred = fft.irfft2(template_spectrum(template, side=side), s=(side, side), workers=1)
    spectrum = fft.rfft2(np.roll(centred, (side // 2, side // 2), axis=(0, 1)) * window, workers=1)
    spectrum[0, 0] = 0
    return np.asarray(spectrum, dtype=np.complex64)


def spectra_at(
    tiles: NDArray[np.float32], y: FloatArray, x: FloatArray, *, window: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return the spectra of the tiles about places (m,), and the phases that move a template onto each place.

    Parameters
    ----------
    tiles
        Every tile of a map that was padded by a tile's side all around, as `sliding_window_view` gives them.
    y, x
        Places in pixels of the map, fractions included.
    window
        The tiles' window (side, side), side even; the mean under it is taken off.
    """
    row, column = np.rint(y).astype(np.intp), np.rint(x).astype(np.intp)
    side = len(window)
    here = tiles[row + side - side // 2, column + side - side // 2]
    level = np.tensordot(here, window, axes=2) / window.sum()
    here = here - level[:, None, None]
    here *= window
    found = fft.rfft2(here, workers=1)
    found[:, 0, 0] = 0
    down = np.exp(-2j * np.pi * np.multiply.outer(y - row, fft.fftfreq(side))).astype(np.complex64)
    right = np.exp(-2j * np.pi * np.multiply.outer(x - column, fft.rfftfreq(side))).astype(np.complex64)
    return found, down[:, :, None] * right[:, None, :]


def first_amplitudes(
    found: ComplexArray, power: FloatArray, spectra: ComplexArray, *, energies: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return each template's amplitude (templates, m) in noise of one power density, as matrix products.

    And its ratio, but for a factor that is the same for all.
    """
    inverse = np.reciprocal(power)
    signal = as_rows(twice_inside(spectra)) @ as_rows(found * inverse).T
    noise = as_rows(twice_inside(energies)) @ as_rows(inverse).T
    return np.asarray(signal / noise, dtype=np.float32), np.asarray(signal / np.sqrt(noise), dtype=np.float32)


def as_rows(half: NDArray[Any]) -> FloatArray:
    """Return spectra (m, …) as rows, real and imaginary parts in turn: products of such rows are Re Σ F S*."""
    parts = half.view(np.float32)
    return parts.reshape(len(parts), math.prod(parts.shape[1:]))
