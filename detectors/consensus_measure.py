"""A second look at chosen places of one frame: each tile is whitened with the shadow taken out of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from .contract import FloatArray
from .tile_spectra import spectra_at, windowed_template
from .whitening import TILE, ComplexArray, noise_power, sine_window, smoothed, twice_inside

_AT_ONCE = 512  # places in memory at a time: 25 MB


def measured(
    log: FloatArray, y: FloatArray, x: FloatArray, *, templates: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Return response r and expected response d′ of each template at each place, both float32 (templates, m).

    With F and S the spectra of the tile about the place and of the template there, and P the tile's power
    density after the fit of the template is taken out of it: r = Re Σ F S*/P / (n d′), d′ = √(Σ |S|²/P)/n.

    Parameters
    ----------
    log
        (h, w); mirrored at the borders.
    y, x
        Places (m,) inside the map, in its pixels, fractions included.
    """
    window = sine_window()
    shadows = [windowed_template(template, window) for template in templates]
    tiles = sliding_window_view(np.pad(log, TILE, mode="symmetric"), (TILE, TILE))
    response = np.zeros((len(templates), len(y)), dtype=np.float32)
    expected = np.zeros_like(response)
    for start in range(0, len(y), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        found, turn = spectra_at(tiles, y[some], x[some], window=window)
        found *= turn.conj()  # as if each tile were centred on its place
        inverse = np.reciprocal(noise_power(found, float(np.sum(window**2))))
        for number, shadow in enumerate(shadows):
            response[number, some], expected[number, some] = _fit(found, shadow, inverse, window=window)
    return response, expected


def _fit(
    found: ComplexArray, shadow: ComplexArray, plain: FloatArray, *, window: FloatArray
) -> tuple[FloatArray, FloatArray]:
    energy = shadow.real**2 + shadow.imag**2
    overlap = found.real * shadow.real + found.imag * shadow.imag
    doubled = twice_inside(np.ones_like(energy))
    amplitude = _sum(overlap, plain, doubled) / np.einsum("ij,mij->m", energy * doubled, plain)
    # Only a darkening is a shadow: what is brighter stays in the noise.
    amplitude = np.maximum(amplitude, 0)[:, None, None]
    left = found.real**2 + found.imag**2 - amplitude * (2 * overlap - amplitude * energy)  # |F − AS|²
    inverse = np.reciprocal(smoothed(left, float(np.sum(window**2))))
    expected = np.sqrt(np.einsum("ij,mij->m", energy * doubled, inverse)) / np.float32(TILE)
    return _sum(overlap, inverse, doubled) / (expected * np.float32(TILE**2)), expected


def _sum(overlap: FloatArray, inverse: FloatArray, doubled: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("ij,mij,mij->m", doubled, overlap, inverse), dtype=np.float32)
