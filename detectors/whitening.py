"""Matched filter in noise that is stationary over a tile only: each tile is whitened by its own spectrum."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import fft

from ..generators.cv import cv2
from .contract import FloatArray

TILE = 48
"""Side of a tile: three times the widest shadow of a level. Smaller ones follow the scene better,
larger ones sample the spectrum better; of 48, 64 and 128 the first found most in sky, as much in snow."""

HOP = TILE // 2
"""Tiles overlap by half, so that the squares of their sine windows add up to one everywhere."""

LEAST_POWER = 1e-6
"""Power density under every spectrum, in (log luminance)² a pixel: noise of 0.1 %, below any camera's."""

_STRIP_TILES = 10  # rows of tiles transformed at a time: 13 MB of spectra for a frame of 24 megapixels

ComplexArray = NDArray[np.complex64]


def whitened_snr(
    log: FloatArray,
    templates: Sequence[FloatArray],
    *,
    known_power: FloatArray | None = None,
    side: int = TILE,
    hop: int | None = None,
) -> tuple[FloatArray, NDArray[np.uint8]]:
    """Return the highest signal-to-noise ratio over templates, place by place, and the template's number.

    With F, S and P the spectra of picture and template and the noise's power density,

        snr = IFFT(F S* / P) / √(Σ |S|² / P),

    which in Gaussian noise of that density has unit variance and, at a place where the template was added,
    the mean d′ = √(Σ |S|² / P): the ideal observer for a known place (Green & Swets 1966, from memory).
    P is estimated from the tile itself (periodogram averaged over 3 × 3 frequencies) unless it is known. Then
    a signal counts partly as its own noise: in white noise the standard deviation is 0.9 instead of 1, and
    d′ of 2, 4 and 8 read 1.7, 3.2 and 5.3. Order is kept, and structure that stands out scores less.

    Parameters
    ----------
    log
        Log luminance (h, w); mirrored at the borders, whatever the size.
    templates
        At least one, each (n, n) with n odd, centred; cut to the tile where larger.
    known_power
        The noise's power density, (side, side // 2 + 1) as `scipy.fft.rfft2` orders it, in (log luminance)² a
        pixel: the variance, if it is white.
    side
        Of a tile, even.
    hop
        From tile to tile, half a side if not given, up to a side; then tiles overlap by less and cost less.
    """
    hop = side // 2 if hop is None else hop
    height, width = log.shape
    rows, columns = -(-height // hop), -(-width // hop)
    padding = hop, (rows - 1) * hop + side - height, hop, (columns - 1) * hop + side - width
    padded = np.asarray(cv2.copyMakeBorder(log, *padding, cv2.BORDER_REFLECT), dtype=np.float32)
    spectra = np.stack([template_spectrum(template, side=side) for template in templates])
    best = np.empty((rows * hop, columns * hop), dtype=np.float32)
    which = np.zeros(best.shape, dtype=np.uint8)
    for top in range(0, rows, _STRIP_TILES):
        bottom = min(top + _STRIP_TILES, rows)
        strip = padded[top * hop : bottom * hop + side]
        here = slice(top * hop, bottom * hop)
        snrs = iter(_strip_snr(strip, spectra, known_power, side=side, hop=hop))
        best[here] = next(snrs)
        for number, snr in enumerate(snrs, start=1):
            np.copyto(which[here], number, where=snr > best[here])
            np.maximum(best[here], snr, out=best[here])
    return best[:height, :width], which[:height, :width]


def sine_window(side: int = TILE, hop: int | None = None) -> FloatArray:
    """Return the tiles' window, (side, side): half a sine along each axis, or flat where no neighbour overlaps."""
    fall = side // 2 if hop is None else side - hop
    line = np.ones(side)
    line[:fall] = np.sin(np.pi / 2 * (np.arange(fall) + 0.5) / fall)
    line[side - fall :] = line[:fall][::-1]
    return np.asarray(np.outer(line, line), dtype=np.float32)


def template_spectrum(template: FloatArray, *, side: int = TILE) -> ComplexArray:
    """Return the spectrum of a template cut to the tile, its centre at the origin, (side, side // 2 + 1)."""
    cut = max(0, (template.shape[0] - side + 2) // 2)
    inner = template[cut : template.shape[0] - cut, cut : template.shape[1] - cut]
    tile = np.zeros((side, side), dtype=np.float32)
    tile[: inner.shape[0], : inner.shape[1]] = inner
    centred = np.roll(tile, (-(inner.shape[0] // 2), -(inner.shape[1] // 2)), axis=(0, 1))
    return np.asarray(fft.rfft2(centred, workers=1), dtype=np.complex64)


def _strip_snr(
    strip: FloatArray, templates: ComplexArray, known_power: FloatArray | None, *, side: int, hop: int
) -> Iterator[FloatArray]:
    """Yield the ratio's map for each template, without the outermost hop, (h, w)."""
    window = sine_window(side, hop)
    tiles = sliding_window_view(strip, window.shape)[::hop, ::hop]
    tiles = tiles - tiles.mean(axis=(2, 3), keepdims=True)
    tiles *= window
    spectra = fft.rfft2(tiles, workers=1)
    if known_power is None:
        inverse = np.reciprocal(noise_power(spectra, float((window**2).sum())))
    else:
        inverse = np.broadcast_to(1 / known_power.astype(np.float32), spectra.shape)
    spectra *= inverse
    spectra[..., 0, 0] = 0  # the mean is gone
    for template in templates:
        yield overlapped(_filtered(spectra, inverse, template, window), hop)[hop : hop - side, hop : hop - side]


def noise_power(spectra: ComplexArray, gain: float) -> FloatArray:
    """Return power density, the periodogram |F|²/gain averaged over 3 × 3 neighbouring frequencies.

    Parameters
    ----------
    spectra
        Half spectra (…, side, side // 2 + 1).
    gain
        Sum of the squared window.
    """
    return smoothed(spectra.real**2 + spectra.imag**2, gain)


def smoothed(squares: FloatArray, gain: float) -> FloatArray:
    """Return power density from the squared amplitudes of half spectra, which it overwrites; see `noise_power`."""
    squares *= np.float32(1 / (9 * gain))
    tall = np.empty(squares.shape, dtype=np.float32)
    np.add(squares[..., :-2, :], squares[..., 2:, :], out=tall[..., 1:-1, :])
    np.add(squares[..., 1, :], squares[..., -1, :], out=tall[..., 0, :])
    np.add(squares[..., 0, :], squares[..., -2, :], out=tall[..., -1, :])
    tall += squares
    # Along one line through all rows, three times as fast as row by row; the rows' ends are made good below.
    line, wide = tall.reshape(-1), np.empty(squares.shape, dtype=np.float32)
    np.add(line[:-2], line[2:], out=wide.reshape(-1)[1:-1])
    # Beyond the ends of a half spectrum stand the mirror images of the columns next to them.
    np.multiply(tall[..., 1], 2, out=wide[..., 0])
    np.multiply(tall[..., -2], 2, out=wide[..., -1])
    wide += tall
    return np.maximum(wide, np.float32(LEAST_POWER), out=wide)


def _filtered(whitened: ComplexArray, inverse: FloatArray, template: ComplexArray, window: FloatArray) -> FloatArray:
    """Return one template's windowed ratio in each tile, from the tiles' spectra over P and from 1/P."""
    energy = twice_inside(np.abs(template) ** 2).astype(np.float32) / window.size
    energy[0, 0] = 0
    detectability = np.sqrt(np.tensordot(inverse, energy, axes=2))
    response = fft.irfft2(whitened * template.conj(), s=window.shape, workers=1)
    response *= window
    response /= detectability[..., None, None]
    return np.asarray(response, dtype=np.float32)


def twice_inside(half: NDArray[Any]) -> NDArray[Any]:
    """Return half spectra (…, side // 2 + 1) with the columns doubled that stand for two of the whole."""
    doubled = half.copy()
    doubled[..., 1:-1] *= 2
    return doubled


def overlapped(tiles: FloatArray, hop: int) -> FloatArray:
    """Return the sum of overlapping tiles (rows, columns, side, side), laid `hop` apart, at least half a side."""
    rows, columns, side = tiles.shape[:3]
    total = np.zeros(((rows - 1) * hop + side, (columns - 1) * hop + side), dtype=np.float32)
    lay(tiles, total, hop)
    return total


def lay(tiles: FloatArray, total: FloatArray, hop: int) -> None:
    """Add tiles (rows, columns, side, side) to a map, in place, the first in its corner; see `overlapped`."""
    places = sliding_window_view(total, tiles.shape[2:], writeable=True)[::hop, ::hop]
    for down in (0, 1):
        for right in (0, 1):
            # Every other tile: those do not overlap, and each pixel is written once.
            places[down::2, right::2] += tiles[down::2, right::2]
