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
from .whitening import ComplexArray, lay, noise_power, sine_window, template_spectrum, twice_inside

TILE = 64
"""Side of a tile in pixels of the shrunken picture: four times the width of a shadow there."""

HOP = 48
"""From tile to tile; over the quarter in which two overlap the window falls as a sine."""

_STRIP_TILES = 4  # rows of tiles at a time: what lies between stays in the processor's cache


def responses(log: FloatArray, templates: Sequence[FloatArray]) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield for each template its signal-to-noise ratio r and the ratio d′ that it would have, both (h, w).

    With F, S and P the spectra of tile and template and the tile's power density,
    r = IFFT(F S*/P)/d′ and d′ = √(Σ|S|²/P); see `whitening.whitened_snr`.
    """
    tiles, before = _tiles(log), TILE - HOP
    shadows = [template_spectrum(template, side=TILE) for template in templates]
    sides = [(count - 1) * HOP + TILE for count in tiles.shape[:2]]
    maps = np.zeros((len(shadows), 2, *sides), dtype=np.float32)
    for top in range(0, len(tiles), _STRIP_TILES):
        strip = tiles[top : top + _STRIP_TILES]
        here = maps[:, :, top * HOP : (top + len(strip) - 1) * HOP + TILE]
        for target, found in zip(here, _strip(strip, shadows), strict=True):
            for total, part in zip(target, found, strict=True):
                lay(part, total, HOP)
    inner = maps[:, :, before : before + log.shape[0], before : before + log.shape[1]]
    yield from ((response, expected) for response, expected in inner)


def _strip(tiles: FloatArray, shadows: Sequence[ComplexArray]) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield for each shadow the windowed r and d′ in each tile."""
    window = sine_window(TILE, HOP)
    spectra = fft.rfft2((tiles - tiles.mean(axis=(2, 3), keepdims=True)) * window, workers=1)
    inverse = np.reciprocal(noise_power(spectra, float(np.sum(window**2))))
    spectra *= inverse
    spectra[..., 0, 0] = 0  # the level is unknown
    for shadow in shadows:
        energy = twice_inside((shadow.real**2 + shadow.imag**2) / np.float32(TILE**2))
        energy[0, 0] = 0
        expected = np.sqrt(np.tensordot(inverse, energy, axes=2)).astype(np.float32)[..., None, None]
        response = fft.irfft2(spectra * shadow.conj(), s=(TILE, TILE), workers=1)
        response *= window / expected
        yield response, expected * window**2


def _tiles(log: FloatArray) -> FloatArray:
    """Return overlapping tiles (rows, columns, TILE, TILE) over a map, mirrored at its borders."""
    before = TILE - HOP
    padding = [(before, before + (-length - before) % HOP) for length in log.shape]
    padded = np.pad(log, padding, mode="symmetric")
    return np.asarray(sliding_window_view(padded, (TILE, TILE))[::HOP, ::HOP])
