"""The optical shadow that explains a dark spot best: its place and its grain, fitted in log luminance.

The ground under a shadow is unknown, but its statistics are those of the ground beside it. So the spot's tile is
whitened by a power density P, of its neighbours and of itself with the fitted shadow taken out, and the likelihood of
each grain's shadow S at each place follows: Λ = Σ (Re F S* − |S|²/2) / P, F the tile's spectrum. A shadow's depth is
the grain's size; nothing else is free but the place. What is known from elsewhere enters as a normal prior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from ...detectors.contract import DARKEST, FloatArray, Photograph
from ...detectors.optical_scales import FILTER_DISTANCE_MM, ladder
from ...detectors.profiles import Profile
from ...detectors.whitening import HOP, TILE, ComplexArray, noise_power, sine_window, twice_inside
from ...generators.cv import cv2
from ...generators.optics import Optics
from ...generators.transfer import decode

LUMA = np.array([[0.299, 0.587, 0.114]], dtype=np.float32)
"""Weights of encoded red, green and blue in the brightness that JPEG stores (ITU-R BT.601)."""

STEP = 0.12
"""Between the sizes that are compared, in ln; a Newton step finds what lies between them."""

SIZES_UM = ladder(8.0, 130.0, ratio=math.exp(STEP))
"""Grains that are compared."""

MIDDLE_UM = 25.0
"""About the median of the grains that dust falls as and that anyone would see: a choice."""

TYPICAL_UM = 45.0
"""Grain whose shadow's width decides by how much a tile is shrunk."""

LEAST_PX = 6.0
"""Shadows are left this wide at least: the logarithm of a deep one is peaked, and a coarser grid misplaces it."""

PLACE_PX = 1.5
"""Standard deviation of a spot's given place, in pixels: a hand or a detector places it about so well."""

COLUMNS, EVIDENCE = 7, 5
"""Of what `ShadowFits` holds, less `optics`: how many columns, and which is the evidence."""

REACH = 4
"""Pixels of the shrunken tile by which a place may be mended."""

CODING_POWER = {1: 2e-4, 2: 2e-5}
"""Power density added to every ground's, in (log luminance)² a pixel, by the bytes of a code: what coding does to a
shadow and not to the plain ground beside it. In sky, JPEG leaves the neighbours next to no noise but bends a shadow by
a code or two: without this, sizes at f/16 scattered by 2.4 % and were said to be sure to 1.7 %, with it by 1 %."""

OWN = 0.5
"""Weight of the tile's own power density against its neighbours', in the logarithm."""

ORDINARY = 3.0
"""Times the neighbours' mean square that is left under a core on ordinary ground, which is not the same everywhere."""

NEWTON = 3
"""Steps between the grids; a fourth moved no size by more than a thousandth."""

Array = NDArray[np.float64]

_WINDOW = sine_window()
_GAIN = float((_WINDOW**2).sum())
_ACROSS = np.arange(TILE) - HOP
_INNER = _ACROSS[HOP // 2 : -(HOP // 2)]
_NEIGHBOURS = ((-HOP, 0), (HOP, 0), (0, -HOP), (0, HOP))
_COUNT = TILE * (TILE // 2 + 1)
_DOWN, _RIGHT = (2 * np.pi * f.astype(np.float32) for f in (fft.fftfreq(TILE), fft.rfftfreq(TILE)))
_TWICE = twice_inside(np.ones((TILE, TILE // 2 + 1), np.float32))
_LOGS = np.log(SIZES_UM)
_LAST = len(SIZES_UM) - 1

_AT_ONCE = 64
"""Spots in memory at a time: about 4 MB of spectra, which stay in the cache."""


@dataclass(frozen=True, slots=True)
class ShadowFits:
    """Fitted shadows, one entry a spot.

    Attributes
    ----------
    x, y
        Centres in pixels of the photograph, (m,).
    diameter_um
        Of the grains.
    size_error, place_error
        Standard deviations of their natural logarithms, and of x and y alike in pixels.
    evidence
        Λ with the priors' share: the natural logarithm of how much better the shadow explains the tile than none
        does; ≤ 0 speaks for none.
    misfit
        What is left under the core once the shadow is taken out, beyond what the ground would leave, as a share of
        what the shadow took there, squares by squares; ≥ 0, 0 where nothing is left.
    optics
        What casts each shadow, by number in the list that was given, integers (m,).
    """

    x: Array
    y: Array
    diameter_um: Array
    size_error: Array
    place_error: Array
    evidence: Array
    misfit: Array
    optics: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of grains before their shadows are seen: ln diameter is normal, `spread` inf for anything.

    Attributes
    ----------
    diameter_um, spread
        (m,) each.
    place_px
        Standard deviation of the places, (m,).
    """

    diameter_um: Array
    spread: Array
    place_px: Array

    @classmethod
    def none(cls, count: int) -> Prior:
        """Return that nothing is known of `count` grains."""
        return cls(np.full(count, MIDDLE_UM), np.full(count, np.inf), np.full(count, PLACE_PX))

    def penalty(self) -> Array:
        """Return the logarithm of its density at each of `SIZES_UM`, 0 at its peak, (m, sizes)."""
        apart = _LOGS - np.log(self.diameter_um)[:, None]
        return np.asarray(-0.5 * (apart / self.spread[:, None]) ** 2)

    def take(self, some: slice) -> Prior:
        """Return it for some of the spots."""
        return Prior(self.diameter_um[some], self.spread[some], self.place_px[some])


@dataclass(frozen=True, slots=True)
class _Bank:
    """Shadows of all sizes for one optics: spectra in the middle of a tile, real parts beside imaginary ones."""

    optics: Optics
    step: int
    spectra: ComplexArray
    flat: FloatArray
    energy: FloatArray
    radius: Array


@lru_cache(maxsize=64)
def _bank(optics: Optics) -> _Bank:
    nominal = replace(optics, filter_distance_mm=FILTER_DISTANCE_MM)  # one step for all distances that are compared
    width = Profile(TYPICAL_UM, nominal).fwhm_px
    step = 2 ** min(3, max(0, math.floor(math.log2(width / LEAST_PX))))
    shadows = [Profile(size, optics) for size in SIZES_UM]
    spectra = _spectra(np.stack([_in_a_tile(shadow.log(step)) for shadow in shadows]))
    weighted = (spectra * _TWICE).reshape(len(SIZES_UM), _COUNT)
    energy = (_TWICE * (spectra.real**2 + spectra.imag**2)).reshape(len(SIZES_UM), _COUNT)
    radius = np.array([max(1.5, shadow.fwhm_px / step / 2) for shadow in shadows])
    flat = np.ascontiguousarray(np.hstack([weighted.real, weighted.imag]).T)
    return _Bank(optics, step, spectra, flat, np.ascontiguousarray(energy.astype(np.float32).T), radius)


def _in_a_tile(stamp: FloatArray) -> FloatArray:
    """Return a centred stamp in the middle of a tile, cut to it where it is larger."""
    half = stamp.shape[0] // 2
    index = _ACROSS + half
    inside = (index >= 0) & (index < stamp.shape[0])
    tile = np.zeros((TILE, TILE), dtype=np.float32)
    tile[np.ix_(inside, inside)] = stamp[np.ix_(index[inside], index[inside])]
    return tile


def _spectra(tiles: FloatArray) -> ComplexArray:
    """Return the spectra of tiles (m, TILE, TILE) under the window, without their mean under it."""
    level = np.tensordot(tiles, _WINDOW, axes=2) / _WINDOW.sum()
    spectra = fft.rfft2((tiles - level[:, None, None]) * _WINDOW, workers=1)
    spectra[:, 0, 0] = 0
    return np.asarray(spectra, dtype=np.complex64)


def fit_shadows(
    photograph: Photograph, x: Array, y: Array, *, optics: Sequence[Optics], prior: Prior | None = None
) -> ShadowFits:
    """Return the shadows that fit best about places (m,), of all sizes and the given optics.

    Parameters
    ----------
    x, y
        Where they are said to lie, see `PLACE_PX`.
    optics
        At least one.
    prior
        What is known of the grains; None for nothing.
    """
    prior = prior or Prior.none(len(x))
    starts = range(0, max(len(x), 1), _AT_ONCE)
    portions = [slice(start, start + _AT_ONCE) for start in starts]
    fits = [
        _joined([_fits(photograph, (x[some], y[some]), _bank(each), prior.take(some)) for some in portions])
        for each in optics
    ]
    best = np.argmax([fit[EVIDENCE] for fit in fits], axis=0)
    x, y, size, size_error, place_error, evidence, misfit = (
        np.choose(best, [fit[number] for fit in fits]) for number in range(COLUMNS)
    )
    return ShadowFits(x, y, size, size_error, place_error, evidence, misfit, best)


def _joined(parts: Sequence[tuple[Array, ...]]) -> tuple[Array, ...]:
    return tuple(np.concatenate(columns) for columns in zip(*parts, strict=True))


def _fits(photograph: Photograph, places: tuple[Array, Array], bank: _Bank, prior: Prior) -> tuple[Array, ...]:
    middle = (bank.step - 1) / 2  # of a shrunken pixel, in pixels of the photograph
    # Each spot's tile begins on a pixel of its own, so that the place stays within half a shrunken pixel of its middle.
    corner = [np.rint((at - middle) / bank.step).astype(np.intp) for at in places]
    right, down = ((at - middle) / bank.step - whole for at, whole in zip(places, corner, strict=True))
    logs = [_log_about(photograph, column, row, bank.step) for column, row in zip(*corner, strict=True)]
    if not logs:
        return tuple(np.zeros(0) for _ in range(COLUMNS))
    wide = np.stack(logs)
    around = [_spectra(wide[:, HOP + i : HOP + i + TILE, HOP + j : HOP + j + TILE]) for i, j in _NEIGHBOURS]
    floor = np.float32(CODING_POWER[photograph.pixels.dtype.itemsize])
    nearby = np.log(np.stack([noise_power(each, _GAIN) for each in around]) + floor).mean(axis=0)
    tile = _spectra(wide[:, HOP:-HOP, HOP:-HOP])
    tiles = _Tiles(tile, nearby, floor, np.stack([down, right], axis=1), bank, prior)
    at, *columns = tiles.settled()
    x, y = ((whole + off) * bank.step + middle for whole, off in zip(corner, (at[:, 1], at[:, 0]), strict=True))
    return (x, y, *columns)


def _log_about(photograph: Photograph, column: int, row: int, step: int) -> FloatArray:
    """Return log luminance about a pixel of the shrunken picture, (2 TILE, 2 TILE), mirrored at the frame's borders."""
    sides = [max(1, side // step) for side in photograph.shape]
    spans = [
        (max(0, min(at, n - 1) - TILE), min(n, max(at, 0) + TILE)) for at, n in zip((row, column), sides, strict=True)
    ]
    (top, bottom), (left, right) = spans
    codes = photograph.pixels[top * step : bottom * step, left * step : right * step]
    light: NDArray[Any] = _light(codes, photograph.encoding)
    if step > 1:
        light = cv2.resize(light, (right - left, bottom - top), interpolation=cv2.INTER_AREA)
    log: FloatArray = np.log(np.maximum(light, np.float32(DARKEST)))
    if log.shape == (2 * TILE, 2 * TILE):
        return log
    index = [
        _mirrored(np.arange(at - TILE, at + TILE), n) - span[0]
        for at, n, span in zip((row, column), sides, spans, strict=True)
    ]
    rows, columns = (np.clip(line, 0, n - 1) for line, n in zip(index, log.shape, strict=True))
    return np.asarray(log[rows[:, None], columns])


def _light(codes: NDArray[Any], encoding: str) -> FloatArray:
    """Return the linear light of the codes' luma (ITU-R BT.601).

    A shadow scales all bands' codes nearly alike, so it scales their luma's light like their luminance; but JPEG keeps
    luma at full size, while luminance takes in colours that it has blurred.
    """
    scale = 65_535 // np.iinfo(codes.dtype).max
    luma = cv2.transform(codes.astype(np.float32), LUMA * scale)
    return decode(np.rint(luma).astype(np.uint16), encoding)


def _mirrored(index: NDArray[np.intp], length: int) -> NDArray[np.intp]:
    folded = np.mod(index, 2 * length)
    return np.where(folded < length, folded, 2 * length - 1 - folded)


@dataclass(frozen=True, slots=True)
class _Tiles:
    """Tiles' spectra, ln P of their neighbours, where in them the spots are said to lie, and what is known.

    `floor` is the coding's share of P. Places are (m, 2), down and right from the tile's middle.
    """

    spectra: ComplexArray
    nearby: FloatArray
    floor: np.float32
    places: Array
    bank: _Bank
    prior: Prior

    @property
    def spread(self) -> Array:
        """Standard deviation of the places, (m,)."""
        return self.prior.place_px / self.bank.step

    def settled(self) -> tuple[Array, ...]:
        """Fit size and place, take the fit out of the noise, and fit again."""
        power = np.exp(self.nearby)
        best = self._evidence(power, self.places).argmax(axis=1)
        places = self._moved(power, best)
        for _ in range(2):
            left = self.spectra - self.bank.spectra[best] * _phase(places)
            power = np.exp(OWN * np.log(noise_power(left, _GAIN) + self.floor) + np.float32(1 - OWN) * self.nearby)
            best = self._evidence(power, places).argmax(axis=1)
        return self._refined(power, best, places)

    def _evidence(self, power: FloatArray, places: Array) -> Array:
        """Return Λ and the prior's share of each size at a place, (m, sizes)."""
        weighted = (self.spectra * _phase(-places) / power).reshape(-1, _COUNT)
        overlap = np.hstack([weighted.real, weighted.imag]) @ self.bank.flat
        noise = (1 / power).reshape(-1, _COUNT) @ self.bank.energy
        # By Parseval's theorem a sum over the spectrum is TILE² times the sum over the tile.
        return np.asarray((overlap - noise / 2) / TILE**2 + self.prior.penalty())

    def _moved(self, power: FloatArray, best: NDArray[np.intp]) -> Array:
        """Return the whole pixels where the shadows are likeliest within `REACH`."""
        matched = self.spectra * self.bank.spectra[best].conj() / power
        response = fft.irfft2(matched, s=(TILE, TILE), workers=1)
        side, steps = 2 * REACH + 1, np.arange(-REACH, REACH + 1)
        near = response[:, steps[:, None], steps]
        apart = (steps[:, None] - self.places[:, :1, None]) ** 2 + (steps - self.places[:, 1:, None]) ** 2
        index = (near - apart / (2 * self.spread[:, None, None] ** 2)).reshape(len(best), -1).argmax(axis=1)
        return np.stack(np.divmod(index, side), axis=1).astype(float) - REACH

    def _refined(self, power: FloatArray, best: NDArray[np.intp], places: Array) -> tuple[Array, ...]:
        """Refine size and place between the grids by Newton's steps, with the priors as further observations."""
        at = np.column_stack([np.zeros(len(best)), places])
        certainty = np.zeros((len(best), 3, 3))
        certainty[:, 0, 0] = (STEP / self.prior.spread) ** 2
        certainty[:, (1, 2), (1, 2)] = self.spread[:, None] ** -2
        wanted = (np.log(self.prior.diameter_um) - _LOGS[best]) / STEP
        expected = np.column_stack([wanted, self.places])
        normal = certainty
        for _ in range(NEWTON):
            shadow, slopes = self._near(best, at)
            normal, pull = _normal_equations(self.spectra - shadow, slopes, power)
            normal = normal + certainty
            pull += np.einsum("mij,mj->mi", certainty, expected - at)
            at = at + np.clip(np.linalg.solve(normal, pull[..., None])[..., 0], -1, 1)
        at[:, 0] = np.clip(at[:, 0], -best - 0.5, _LAST - best + 0.5)
        size = _LOGS[best] + STEP * at[:, 0]
        shadow, _ = self._near(best, at)
        variance = np.diagonal(np.linalg.inv(normal), axis1=1, axis2=2)
        error, apart = STEP * np.sqrt(variance[:, 0]), self.bank.step * np.sqrt(variance[:, 1:].mean(axis=1))
        misfit = self._misfit(shadow, at[:, 1:], self.bank.radius[best])
        return at[:, 1:], np.exp(size), error, apart, self._told(shadow, size), misfit

    def _told(self, shadow: ComplexArray, log_size: Array) -> Array:
        """Return Λ by the neighbours' noise, which is the same whatever is fitted, and the prior's share."""
        overlap = (self.spectra * shadow.conj()).real - (shadow.real**2 + shadow.imag**2) / 2
        told = (overlap * _TWICE / np.exp(self.nearby)).sum(axis=(1, 2)) / TILE**2
        return np.asarray(told - 0.5 * ((log_size - np.log(self.prior.diameter_um)) / self.prior.spread) ** 2)

    def _near(self, best: NDArray[np.intp], at: Array) -> tuple[ComplexArray, ComplexArray]:
        """Return shadows between two sizes and pixels, and their slopes with size (in steps), down and right."""
        before, here, after = (self.bank.spectra[np.clip(best + n, 0, _LAST)] for n in (-1, 0, 1))
        share = at[:, 0].astype(np.float32)[:, None, None]
        turn = _phase(at[:, 1:])
        slope, bend = (after - before) * np.float32(0.5), after - 2 * here + before
        shadow = (here + share * (slope + share / 2 * bend)) * turn
        slopes = np.empty((3, *shadow.shape), dtype=np.complex64)
        slopes[0] = (slope + share * bend) * turn
        turned = np.complex64(-1j) * shadow
        slopes[1], slopes[2] = turned * _DOWN[:, None], turned * _RIGHT
        return shadow, slopes

    def _misfit(self, shadow: ComplexArray, places: Array, radius: Array) -> Array:
        """Return what is left under the core beyond the neighbours' noise, as a share of what the shadow took."""
        apart = (_INNER[:, None] - places[:, :1, None]) ** 2 + (_INNER - places[:, 1:, None]) ** 2
        near = apart <= radius[:, None, None] ** 2
        left, taken = (self._whitened_squares(each) for each in (self.spectra - shadow, shadow))
        count = near.sum(axis=(1, 2))
        excess = (left * near).sum(axis=(1, 2)) - ORDINARY * count
        return np.asarray(np.maximum(excess, 0) / (taken * near).sum(axis=(1, 2)), dtype=float)

    def _whitened_squares(self, spectra: ComplexArray) -> FloatArray:
        """Return squares of tiles' inner part in units of the neighbours' noise."""
        inner = slice(HOP // 2, -(HOP // 2))
        white = fft.irfft2(spectra * np.exp(-0.5 * self.nearby), s=(TILE, TILE), workers=1)[:, inner, inner]
        return np.asarray((white / _WINDOW[inner, inner]) ** 2, dtype=np.float32)


def _phase(places: Array) -> ComplexArray:
    """Return the factors that move pictures by fractions of a pixel down and right, (m, TILE, TILE // 2 + 1)."""
    down, right = (places[:, n].astype(np.float32)[:, None] for n in (0, 1))
    rows, columns = np.exp(-1j * down * _DOWN), np.exp(-1j * right * _RIGHT)
    return np.asarray(rows[:, :, None] * columns[:, None, :], dtype=np.complex64)


def _normal_equations(left: ComplexArray, slopes: ComplexArray, power: FloatArray) -> tuple[Array, Array]:
    """Return the normal equations' matrices (m, 3, 3) and right sides (m, 3) for the change of each parameter."""
    both = np.moveaxis(np.concatenate([slopes, left[None]]), 0, 1).reshape(len(left), 4, _COUNT)
    weights = _TWICE / power
    weighted = both[:, :3].conj() * weights.reshape(len(left), 1, _COUNT)
    products = (weighted @ both.transpose(0, 2, 1)).real.astype(float) / TILE**2
    return products[..., :3], products[..., 3]
