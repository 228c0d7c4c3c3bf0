"""A second look at candidates: the noise is measured with the shadow taken out.

A spectrum estimated from a tile that holds a deep shadow takes the shadow for noise, and the plainest spot of a
picture scores like a faint one. So each candidate's tile is fitted with the shadow, the fit is taken out, and
the spectrum of what remains whitens the fit anew. A real shadow leaves little behind and its score rises; a
dark clump that is shaped otherwise leaves much, and its score stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import fft

from ..generators.cv import cv2
from .contract import FloatArray
from .peaks import vertex
from .tile_spectra import as_rows, first_amplitudes, spectra_at, windowed_template
from .whitening import TILE, ComplexArray, noise_power, sine_window, smoothed, twice_inside

ROUNDS = 1
"""Times the fit is taken out. On frames of the develop seeds one raised average precision from 0.67 to 0.71 in
sky and from 0.45 to 0.51 in snow; a second and third moved neither by more than 0.005."""

_AT_ONCE = 512  # candidates in memory at a time: 25 MB

REACH = 4
"""Pixels of the shrunken picture by which a place may be mended. The first look at a deep shadow, whose own power
pushes its whitened response about, errs by a pixel or two, and a misplaced fit leaves half of the shadow behind."""

MENDINGS = 2
"""Times that places are mended at most; a third changed average precision on no ground by more than 0.0002."""

SETTLED = 0.1
"""A place that moves by less, in pixels, isn't fitted again."""


@dataclass(frozen=True, slots=True)
class Fit:
    """What the second look says of each candidate.

    Attributes
    ----------
    ratio, amplitude
        float32 (m,); amplitude 1 is the template's own depth.
    which
        Integers (m,), number of the best template.
    y, x
        float32 (m,), the mended places.
    """

    ratio: FloatArray
    amplitude: FloatArray
    which: NDArray[np.intp]
    y: FloatArray
    x: FloatArray


def refitted(
    log: FloatArray,
    places: tuple[FloatArray, FloatArray],
    *,
    templates: Sequence[FloatArray],
    side: int = TILE,
    promising: int | None = None,
) -> Fit:
    """Return signal-to-noise ratio, amplitude, best template and mended place of each candidate.

    With F the spectrum of the tile about a candidate, S the template's at the candidate's place, P the power
    density of the tile less the fit: amplitude A = Re Σ F S*/P / Σ |S|²/P, ratio A·√(Σ |S|²/P)/side. Near the
    rim, where half of a tile is the mirror image of the other, the ratio counts what lies inside once.

    Parameters
    ----------
    log
        Log luminance (h, w); mirrored at the borders.
    places
        Of the candidates, y and x (m,) each, in pixels of `log`, fractions included.
    templates
        Log transmissions, each (n, n) with n odd, centred. A dark shadow's amplitude is positive.
    side
        Of the tile about a candidate, even.
    promising
        So many templates are fitted with their shadow taken out, those that fit best with it in; all if not given.
    """
    y, x = places
    window = sine_window(side)
    spectra = np.stack([windowed_template(template, window) for template in templates])
    padded = np.asarray(cv2.copyMakeBorder(log, *(side,) * 4, cv2.BORDER_REFLECT), dtype=np.float32)
    tiles = sliding_window_view(padded, (side, side))
    look = _Look(tiles, spectra, window, min(promising or len(templates), len(templates)))
    parts = [_settled(look, y[some], x[some], shape=log.shape) for some in _portions(len(y))]
    found = _joined(parts)
    inside = np.stack([_share_inside(template, found.y, found.x, shape=log.shape) for template in templates])
    return replace(found, ratio=found.ratio * np.sqrt(inside[found.which, np.arange(len(found.which))]))


def _portions(count: int) -> list[slice]:
    return [slice(start, start + _AT_ONCE) for start in range(0, max(count, 1), _AT_ONCE)]


def _joined(parts: Sequence[Fit]) -> Fit:
    return Fit(*(np.concatenate([getattr(part, name) for part in parts]) for name in Fit.__slots__))


def _settled(look: _Look, y: FloatArray, x: FloatArray, *, shape: tuple[int, ...]) -> Fit:
    """Fit, then mend the places and fit again those that moved, a few times, keeping what fits better."""
    best = replace(nearby := look.fit(y, x), y=y, x=x)
    moving = np.arange(len(y))
    for left in reversed(range(MENDINGS)):
        there = [np.clip(line, -0.5, length - 0.5) for line, length in zip((nearby.y, nearby.x), shape, strict=True)]
        far = np.hypot(there[0] - best.y[moving], there[1] - best.x[moving]) > SETTLED
        moving, there = moving[far], [line[far] for line in there]
        nearby = look.fit(*there, mending=left > 0)
        better = nearby.ratio > best.ratio[moving]
        moving, mended = moving[better], replace(nearby, y=there[0], x=there[1])
        best = Fit(*(_with(getattr(best, n), moving, getattr(mended, n)[better]) for n in Fit.__slots__))
        nearby = Fit(*(getattr(nearby, n)[better] for n in Fit.__slots__))
    return best


def _with(column: NDArray[Any], index: NDArray[np.intp], values: NDArray[Any]) -> NDArray[Any]:
    changed = column.copy()
    changed[index] = values
    return changed


@dataclass(frozen=True, slots=True)
class _Look:
    """A picture's tiles, the templates' spectra, the tiles' window and how many templates are fitted twice."""

    tiles: NDArray[np.float32]
    spectra: ComplexArray
    window: FloatArray
    promising: int

    def fit(self, y: FloatArray, x: FloatArray, *, mending: bool = True) -> Fit:
        """Return the best fit at each place, and if that is asked for, where its template fits best nearby."""
        found, turn = spectra_at(self.tiles, y, x, window=self.window)
        found = found * turn.conj()  # as if each tile were centred on its place
        gain = float((self.window**2).sum())
        ratios, amplitudes = _fits(found, self.spectra, gain=gain, promising=self.promising)
        which = np.argmax(ratios, axis=0)
        pick = (which, np.arange(len(which)))
        if mending:
            dy, dx = _shift(found, self.spectra[which], amplitudes[pick], gain=gain)
            y, x = y + dy, x + dx
        return Fit(ratios[pick], amplitudes[pick], which, y.astype(np.float32), x.astype(np.float32))


def _shift(
    found: ComplexArray, template: ComplexArray, amplitude: FloatArray, *, gain: float
) -> tuple[FloatArray, FloatArray]:
    """Return by how much each template would have to move, at most `REACH` along each axis, to fit best."""
    side = found.shape[1]
    whitened = found * template.conj()
    whitened *= np.reciprocal(noise_power(found - amplitude[:, None, None] * template, gain))
    about = np.arange(-REACH, REACH + 1)
    near = fft.irfft2(whitened, s=(side, side), workers=1)[:, about[:, None], about]
    which = np.arange(len(near))
    inner = near[:, 1:-1, 1:-1].reshape(len(near), (2 * REACH - 1) ** 2)
    rows, columns = (place + 1 for place in np.divmod(inner.argmax(axis=1), 2 * REACH - 1))
    up, _ = vertex(near[which, rows - 1, columns], near[which, rows, columns], near[which, rows + 1, columns])
    left, _ = vertex(near[which, rows, columns - 1], near[which, rows, columns], near[which, rows, columns + 1])
    return (rows - REACH + up).astype(np.float32), (columns - REACH + left).astype(np.float32)


def _share_inside(template: FloatArray, y: FloatArray, x: FloatArray, *, shape: tuple[int, ...]) -> FloatArray:
    """Return the share of a template's energy that lies inside the picture at each place, rows times columns."""
    energy = template**2 / np.sum(template**2)
    down = _cumulative(energy.sum(axis=1), y, shape[0])
    return np.asarray(down * _cumulative(energy.sum(axis=0), x, shape[1]), dtype=np.float32)


def _cumulative(energy: FloatArray, place: FloatArray, length: int) -> FloatArray:
    """Return the share of a line of energy, centred on `place`, between the outer edges of the first and last pixel."""
    edges = np.arange(len(energy) + 1) - len(energy) / 2
    total = np.concatenate([[0.0], np.cumsum(energy)])
    high = np.interp(length - 0.5 - place, edges, total)
    return np.asarray(high - np.interp(-0.5 - place, edges, total), dtype=np.float32)


def _fits(found: ComplexArray, spectra: ComplexArray, *, gain: float, promising: int) -> tuple[FloatArray, FloatArray]:
    """Return ratio and amplitude of each template, each (templates, m), whitened by what its own fit leaves.

    Of those that fit worse than so many promising ones in noise that still holds the shadow, the ratio is −∞.
    """
    squares = found.real**2 + found.imag**2
    energies = spectra.real**2 + spectra.imag**2
    amplitudes, rough = first_amplitudes(found, smoothed(squares.copy(), gain), spectra, energies=energies)
    ratios = np.full_like(amplitudes, -np.inf)
    chosen = rough >= np.sort(rough, axis=0)[-promising]
    doubled = twice_inside(np.ones_like(energies[0]))
    for number, (spectrum, energy) in enumerate(zip(spectra, energies, strict=True)):
        here = np.flatnonzero(chosen[number])
        part = found[here]
        overlap = part.real * spectrum.real + part.imag * spectrum.imag
        rest = squares[here]
        for _ in range(ROUNDS):
            amplitude = amplitudes[number, here, None, None]
            # |F − AS|², of which the parts are at hand
            inverse = np.reciprocal(smoothed(rest - amplitude * (2 * overlap - amplitude * energy), gain))
            signal = as_rows(overlap * inverse) @ doubled.reshape(-1)
            noise = as_rows(inverse) @ (doubled * energy).reshape(-1)
            amplitudes[number, here] = signal / noise
            # By Parseval's theorem a sum over the spectrum is side² times the sum over the tile.
            ratios[number, here] = signal / (np.sqrt(noise) * np.float32(found.shape[1]))
    return ratios, amplitudes
