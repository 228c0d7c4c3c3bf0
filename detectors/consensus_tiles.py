"""Responses to shadows in noise that is stationary over a tile, with the signal that each shadow would give.

The same filter as in `whitening`, on tiles that overlap by a quarter instead of a half: a roll has many frames
and each costs its transforms.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from ..generators.cv import cv2
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
    maps = np.zeros((len(shadows), *sides), dtype=np.float32)
    ratios = np.empty((len(shadows), *tiles.shape[:2]), dtype=np.float32)
    for top in range(0, len(tiles), _STRIP_TILES):
        strip = tiles[top : top + _STRIP_TILES]
        here = maps[:, top * HOP : (top + len(strip) - 1) * HOP + TILE]
        for number, (response, expected) in enumerate(_strip(strip, shadows)):
            lay(response, here[number], HOP)
            ratios[number, top : top + len(strip)] = expected
    down, right = (_shares(count)[before : before + side] for count, side in zip(tiles.shape, log.shape, strict=False))
    inner = maps[:, before : before + log.shape[0], before : before + log.shape[1]]
    yield from ((response, down @ expected @ right.T) for response, expected in zip(inner, ratios, strict=True))


def _strip(tiles: FloatArray, shadows: Sequence[ComplexArray]) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield for each shadow the windowed r in each tile, and each tile's d′ (rows, columns)."""
    window = sine_window(TILE, HOP)
    tiles = tiles - tiles.mean(axis=(2, 3), keepdims=True)
    tiles *= window
    spectra = fft.rfft2(tiles, workers=1)
    inverse = np.reciprocal(noise_power(spectra, float(np.sum(window**2))))
    spectra *= inverse
    spectra[..., 0, 0] = 0  # the level is unknown
    for shadow in shadows:
        energy = twice_inside((shadow.real**2 + shadow.imag**2) / np.float32(TILE**2))
        energy[0, 0] = 0
        expected = np.sqrt(np.tensordot(inverse, energy, axes=2)).astype(np.float32)
        response = fft.irfft2(spectra * shadow.conj(), s=(TILE, TILE), workers=1)
        response *= window
        response /= expected[..., None, None]
        yield response, expected


def _shares(count: int) -> FloatArray:
    """Return the share of each of so many tiles in a row in each pixel, the window's square: (pixels, tiles)."""
    line = sine_window(TILE, HOP)[TILE // 2] ** 2
    shares = np.zeros(((count - 1) * HOP + TILE, count), dtype=np.float32)
    for number in range(count):
        shares[number * HOP : number * HOP + TILE, number] = line
    return shares


def _tiles(log: FloatArray) -> FloatArray:
    """Return overlapping tiles (rows, columns, TILE, TILE) over a map, mirrored at its borders."""
    before = TILE - HOP
    below, right = (before + (-length - before) % HOP for length in log.shape)
    padded = cv2.copyMakeBorder(log, before, below, before, right, cv2.BORDER_REFLECT)
    return np.asarray(sliding_window_view(padded, (TILE, TILE))[::HOP, ::HOP])
