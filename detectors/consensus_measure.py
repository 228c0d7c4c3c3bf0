"""A second look at chosen places of one frame: each tile is whitened with the shadow taken out of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ..generators.cv import cv2
from .contract import FloatArray
from .tile_spectra import as_rows, first_amplitudes, spectra_at, windowed_template
from .whitening import TILE, ComplexArray, sine_window, smoothed, twice_inside

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
    padded = np.asarray(cv2.copyMakeBorder(log, *(TILE,) * 4, cv2.BORDER_REFLECT), dtype=np.float32)
    tiles = sliding_window_view(padded, (TILE, TILE))
    response = np.zeros((len(templates), len(y)), dtype=np.float32)
    expected = np.zeros_like(response)
    for start in range(0, len(y), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        found, turn = spectra_at(tiles, y[some], x[some], window=window)
        found *= turn.conj()  # as if each tile were centred on its place
        response[:, some], expected[:, some] = _fits(found, np.stack(shadows), gain=float(np.sum(window**2)))
    return response, expected


def _fits(found: ComplexArray, shadows: ComplexArray, *, gain: float) -> tuple[FloatArray, FloatArray]:
    """Return r and d′ of each shadow (templates, m)."""
    squares = found.real**2 + found.imag**2
    energies = shadows.real**2 + shadows.imag**2
    amplitudes, _ = first_amplitudes(found, smoothed(squares.copy(), gain), shadows, energies=energies)
    # Only a darkening is a shadow: what is brighter stays in the noise.
    np.maximum(amplitudes, 0, out=amplitudes)
    doubled = twice_inside(np.ones_like(energies[0]))
    response, expected = np.empty_like(amplitudes), np.empty_like(amplitudes)
    for number, (shadow, energy, each) in enumerate(zip(shadows, energies, amplitudes, strict=True)):
        overlap = found.real * shadow.real + found.imag * shadow.imag
        amplitude = each[:, None, None]
        # |F − AS|², of which the parts are at hand
        inverse = np.reciprocal(smoothed(squares - amplitude * (2 * overlap - amplitude * energy), gain))
        expected[number] = np.sqrt(as_rows(inverse) @ (energy * doubled).reshape(-1)) / np.float32(TILE)
        overlap *= inverse
        response[number] = as_rows(overlap) @ doubled.reshape(-1) / (expected[number] * np.float32(TILE**2))
    return response, expected
