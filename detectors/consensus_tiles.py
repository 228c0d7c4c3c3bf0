"""Responses to shadows in noise that is stationary over a tile, with the signal that each shadow would give.

The same filter as in `whitening`, on tiles that overlap by a quarter instead of a half: a roll has many frames
and each costs its transforms.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from .contract import FloatArray
from .whitening import noise_power, overlapped, sine_window, template_spectrum, twice_inside

TILE = 64
"""Side of a tile in pixels of the shrunken picture: four times the width of a shadow there."""

HOP = 48
"""From tile to tile; over the quarter in which two overlap the window falls as a sine."""


def responses(log: FloatArray, templates: Sequence[FloatArray]) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield for each template its signal-to-noise ratio r and the ratio d′ that it would have, both (h, w).

    With F, S and P the spectra of tile and template and the tile's power density,
    r = IFFT(F S*/P)/d′ and d′ = √(Σ|S|²/P); see `whitening.whitened_snr`.
    """
    window = sine_window(TILE, HOP)
    tiles = _tiles(log)
    spectra = fft.rfft2((tiles - tiles.mean(axis=(2, 3), keepdims=True)) * window, workers=1)
    inverse = np.reciprocal(noise_power(spectra, float(np.sum(window**2))))
    spectra *= inverse
    spectra[..., 0, 0] = 0  # the level is unknown
    for template in templates:
        shadow = template_spectrum(template, side=TILE)
        energy = twice_inside((shadow.real**2 + shadow.imag**2) / np.float32(TILE**2))
        energy[0, 0] = 0
        expected = np.sqrt(np.tensordot(inverse, energy, axes=2)).astype(np.float32)
        response = fft.irfft2(spectra * shadow.conj(), s=(TILE, TILE), workers=1)
        response *= window / expected[..., None, None]
        share = np.broadcast_to(expected[..., None, None] * window**2, response.shape)
        yield _joined(response, log.shape), _joined(share, log.shape)


def _tiles(log: FloatArray) -> FloatArray:
    """Return overlapping tiles (rows, columns, TILE, TILE) over a map, mirrored at its borders."""
    before = TILE - HOP
    padding = [(before, before + (-length - before) % HOP) for length in log.shape]
    padded = np.pad(log, padding, mode="symmetric")
    return np.asarray(sliding_window_view(padded, (TILE, TILE))[::HOP, ::HOP])


def _joined(tiles: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    """Return the sum of overlapping tiles without the margin that `_tiles` added, (h, w)."""
    before = TILE - HOP
    return overlapped(tiles, HOP)[before : before + shape[0], before : before + shape[1]]
