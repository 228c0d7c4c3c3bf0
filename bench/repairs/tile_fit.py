"""Tiles of a photograph fitted with shadows: each tile's grain and place, and how well the picture tells them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import expit, logsumexp

from ...detectors.contract import FloatArray
from ...detectors.whitening import HOP, TILE, ComplexArray, noise_power
from .grain_prior import HANDED_OVER, Prior, fallen_dust, median_size
from .shadow_bank import (
    COUNT,
    DOWN,
    GAIN,
    LAST,
    LOGS,
    RIGHT,
    SPACING,
    STEP,
    TWICE,
    WINDOW,
    Array,
    Bank,
    phase,
    tile_spectra,
)
from .shadow_doubts import CODED, fainter, glowing, misfits, under

REACH = 4
"""Pixels of the shrunken tile by which a place may be mended."""

OWN = 0.75
"""Weight of the tile's own power density against its neighbours', in the logarithm."""

NEWTON = 2
"""Steps between the grids, before the ground is cut and after; with a third nothing changed on any ground."""

NEAREST = 0.4
"""Steps from a tabled size within which the first fit is left; at half a step beyond the last size nothing changes with
it any more."""

ROUGHEST = 2.0
"""Standard deviations of the ground under and about a spot, by its median deviation, beyond which log luminance is cut
before the last fit. A stone at the tile's edge else counts as the ground's power at all scales. On develop frames that
it was not chosen on, what is seen of mended shadows fell by 7 % in plain snow, 4 % in rough snow and 14 % in snow with
rocks, and stayed in scrub and on rock; with 1.5 or 3 it is the same."""

LEAST_SPREAD = 0.004
"""Least of these deviations: a code of eight bits at middle grey is twice as much."""

MEDIAN_DEVIATION = 1.4826
"""Standard deviation of a normal law over its median absolute deviation."""

_CORE = slice(HOP // 2, -(HOP // 2))


@dataclass(frozen=True, slots=True)
class Tiles:
    """Tiles' spectra, ln P of their neighbours, where in them the spots are said to lie, and what is known.

    `floor` is the coding's share of P. Places are (m, 2), down and right from the tile's middle.
    """

    spectra: ComplexArray
    nearby: FloatArray
    floor: np.float32
    places: Array
    bank: Bank
    prior: Prior

    @property
    def spread(self) -> Array:
        """Standard deviation of the places, (m,)."""
        return self.prior.place_px / self.bank.step

    def settled(self) -> tuple[Array, tuple[Array, ...], Array]:
        """Fit size and place, take the fit out of the noise, cut what sticks out of the ground, and fit again.

        Returns the places, the columns of `ShadowFits` from the size to the misfit, and its `told`.
        """
        power = np.exp(self.nearby)
        best = self._evidence(power, phase(self.places)).argmax(axis=1)
        places = self._moved(power, best)
        turn = phase(places)
        for _ in range(2):
            power = self._power(self.spectra - self.bank.spectra[best] * turn)
            best = self._evidence(power, turn).argmax(axis=1)
        at, _ = self._newton(power, best, np.column_stack([np.zeros(len(best)), places]))
        at[:, 0] = np.clip(at[:, 0], -NEAREST, NEAREST)
        shadow = self._cast(best, at[:, 0], phase(at[:, 1:]))
        return self._tamed(shadow)._refined(best, at, shadow, self)

    def _power(self, left: ComplexArray) -> FloatArray:
        """Return the noise's power density, by what a fit leaves of the tiles and by their neighbours."""
        own = np.log(noise_power(left, GAIN) + self.floor)
        return np.asarray(np.exp(OWN * own + np.float32(1 - OWN) * self.nearby))

    def _tamed(self, shadow: ComplexArray) -> Tiles:
        """Return the tiles with the ground, which is what the shadow leaves, cut at `ROUGHEST` about its median."""
        ground = fft.irfft2(self.spectra - shadow, s=(TILE, TILE), workers=1) / WINDOW
        core = ground[:, _CORE, _CORE].reshape(len(ground), -1)
        middle = np.median(core, axis=1, keepdims=True)
        spread = np.maximum(MEDIAN_DEVIATION * np.median(np.abs(core - middle), axis=1, keepdims=True), LEAST_SPREAD)
        low, high = ((middle + side * ROUGHEST * spread)[..., None] for side in (-1, 1))
        return replace(self, spectra=shadow + tile_spectra(np.clip(ground, low, high)))

    def _evidence(self, power: FloatArray, turn: ComplexArray) -> Array:
        """Return Λ and the prior's share of each size at the places of phases `turn`, (m, sizes)."""
        weighted = (self.spectra * turn.conj() / power).reshape(-1, COUNT)
        overlap = np.hstack([weighted.real, weighted.imag]) @ self.bank.flat
        # By Parseval's theorem a sum over the spectrum is TILE² times the sum over the tile.
        return np.asarray(overlap / TILE**2 - self._detectability(power) / 2 + self.prior.penalty())

    def _detectability(self, power: FloatArray) -> Array:
        """Return d′² = Σ |S|² / P of each size, (m, sizes)."""
        return np.asarray((1 / power).reshape(-1, COUNT) @ self.bank.energy / TILE**2, dtype=float)

    def _moved(self, power: FloatArray, best: NDArray[np.intp]) -> Array:
        """Return the whole pixels where the shadows are likeliest within `REACH`."""
        matched = self.spectra * self.bank.spectra[best].conj() / power
        response = fft.irfft2(matched, s=(TILE, TILE), workers=1)
        side, steps = 2 * REACH + 1, np.arange(-REACH, REACH + 1)
        near = response[:, steps[:, None], steps]
        apart = (steps[:, None] - self.places[:, :1, None]) ** 2 + (steps - self.places[:, 1:, None]) ** 2
        index = (near - apart / (2 * self.spread[:, None, None] ** 2)).reshape(len(best), -1).argmax(axis=1)
        return np.stack(np.divmod(index, side), axis=1).astype(float) - REACH

    def _newton(self, power: FloatArray, best: NDArray[np.intp], at: Array) -> tuple[Array, Array]:
        """Refine sizes, in steps from the nearest tabled, and places by Newton's steps, (m, 3).

        The priors count as further observations. Returns the normal equations' matrices too, (m, 3, 3).
        """
        certainty = np.zeros((len(best), 3, 3))
        certainty[:, 0, 0] = (STEP / self.prior.spread) ** 2
        certainty[:, (1, 2), (1, 2)] = self.spread[:, None] ** -2
        wanted = (np.log(self.prior.diameter_um) - LOGS[best]) / STEP
        expected = np.column_stack([wanted, self.places])
        normal = certainty
        for _ in range(NEWTON):
            shadow, slopes = self._near(best, at)
            normal, pull = _normal_equations(self.spectra - shadow, slopes, power)
            normal = normal + certainty
            pull += np.einsum("mij,mj->mi", certainty, expected - at)
            at = at + np.clip(np.linalg.solve(normal, pull[..., None])[..., 0], -1, 1)
        at[:, 0] = np.clip(at[:, 0], -best - 0.5, LAST - best + 0.5)
        return at, normal

    def _refined(
        self, best: NDArray[np.intp], at: Array, shadow: ComplexArray, untamed: Tiles
    ) -> tuple[Array, tuple[Array, ...], Array]:
        """Return what `settled` does, from a first fit and its shadows.

        How well it fits, and other sizes would, the untamed tiles tell: what was cut was cut about the first fit.
        """
        power = self._power(self.spectra - shadow)
        at, normal = self._newton(power, best, at)
        size, turn = LOGS[best] + STEP * at[:, 0], phase(at[:, 1:])
        shadow = self._cast(best, at[:, 0], turn)
        variance = np.diagonal(np.linalg.inv(normal), axis1=1, axis2=2)
        error, apart = STEP * np.sqrt(variance[:, 0]), self.bank.step * np.sqrt(variance[:, 1:].mean(axis=1))
        evidence = untamed._told(shadow, size)
        weak = np.flatnonzero(self.prior.open & (error > STEP))
        if len(weak):
            size[weak], error[weak], evidence[weak] = self._some(weak)._weighed(power[weak], turn[weak])
        evidence, misfit = untamed._doubted(evidence, size, at[:, 1:], turn)
        told = np.full((len(best), len(LOGS)), np.nan)
        if not self.prior.fallen:
            power = untamed._power(untamed.spectra - shadow)
            told = untamed._evidence(power, turn) - self.prior.penalty()
        return at[:, 1:], (np.exp(size), error, apart, evidence, misfit), told

    def _some(self, which: NDArray[np.intp]) -> Tiles:
        return Tiles(
            self.spectra[which], self.nearby[which], self.floor, self.places[which], self.bank, self.prior.take(which)
        )

    def _weighed(self, power: FloatArray, turn: ComplexArray) -> tuple[Array, Array, Array]:
        """Return ln size, its error and the evidence of grains whose size the picture tells to no better than `STEP`.

        They are weighed as fallen dust: the size is the posterior's median, with no shadow at all as one of the
        possibilities, and the evidence the logarithm of the odds for a shadow.
        """
        law = fallen_dust(np.sqrt(self._detectability(power)), self.bank.depth)
        odds = HANDED_OVER + logsumexp(self._evidence(np.exp(self.nearby), turn) + law, axis=1)
        size, error = median_size(self._evidence(power, turn) + law, none=expit(-odds))
        return size, error, np.asarray(odds)

    def _told(self, shadow: ComplexArray, log_size: Array) -> Array:
        """Return Λ by the neighbours' noise, which is the same whatever is fitted, and the prior's share."""
        overlap = (self.spectra * shadow.conj()).real - (shadow.real**2 + shadow.imag**2) / 2
        told = (overlap * TWICE / np.exp(self.nearby)).sum(axis=(1, 2)) / TILE**2
        return np.asarray(told - 0.5 * ((log_size - np.log(self.prior.diameter_um)) / self.prior.spread) ** 2)

    def _doubted(self, evidence: Array, log_size: Array, places: Array, turn: ComplexArray) -> tuple[Array, Array]:
        """Return the evidence and the misfit of shadows, in view of what speaks against them."""
        best = np.clip(np.rint((log_size - LOGS[0]) / SPACING).astype(np.intp), 0, LAST)
        shadow = self._cast(best, (log_size - LOGS[best]) / STEP, turn)
        coded = np.exp(self.nearby) - np.float32(1 - CODED) * self.floor
        left, radius = self.spectra - shadow, self.bank.radius[best]
        misfit = misfits(left, shadow, np.exp(-0.5 * self.nearby), under(places, radius))
        misfit[glowing(left, shadow, places, radius)] = np.inf
        return np.minimum(evidence, fainter(self.spectra, shadow, coded)), misfit

    def _cast(self, best: NDArray[np.intp], steps: Array, turn: ComplexArray) -> ComplexArray:
        """Return shadows `steps` of size from a tabled one, with phases `turn`."""
        share = steps.astype(np.float32)[:, None, None]
        here, slope, bend = self._parabola(best)
        return np.asarray((here + share * (slope + share / 2 * bend)) * turn)

    def _parabola(self, best: NDArray[np.intp]) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """Return shadows of tabled sizes, and the slopes and bends through them and their neighbours, in steps."""
        return self.bank.spectra[best], self.bank.slopes[best], self.bank.bends[best]

    def _near(self, best: NDArray[np.intp], at: Array) -> tuple[ComplexArray, ComplexArray]:
        """Return the shadows at (size, down, right), and their slopes with size (in steps), down and right."""
        share = at[:, 0].astype(np.float32)[:, None, None]
        turn = phase(at[:, 1:])
        here, slope, bend = self._parabola(best)
        shadow = (here + share * (slope + share / 2 * bend)) * turn
        slopes = np.empty((3, *shadow.shape), dtype=np.complex64)
        slopes[0] = (slope + share * bend) * turn
        turned = np.complex64(-1j) * shadow
        slopes[1], slopes[2] = turned * DOWN[:, None], turned * RIGHT
        return shadow, slopes


def _normal_equations(left: ComplexArray, slopes: ComplexArray, power: FloatArray) -> tuple[Array, Array]:
    """Return the normal equations' matrices (m, 3, 3) and right sides (m, 3) for the change of each parameter."""
    both = np.moveaxis(np.concatenate([slopes, left[None]]), 0, 1).reshape(len(left), 4, COUNT)
    weights = TWICE / power
    weighted = both[:, :3].conj() * weights.reshape(len(left), 1, COUNT)
    products = (weighted @ both.transpose(0, 2, 1)).real.astype(float) / TILE**2
    return products[..., :3], products[..., 3]
