"""Tiles of a photograph fitted with shadows: each tile's grain and place, and how well the picture tells them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import expit, logsumexp

from ...detectors.contract import FloatArray
from ...detectors.whitening import HOP, TILE, ComplexArray, noise_power
from .grain_prior import HANDED_OVER, Prior, fallen_dust
from .shadow_bank import ACROSS, COUNT, DOWN, GAIN, LAST, LOGS, RIGHT, STEP, TWICE, WINDOW, Array, Bank, phase

REACH = 4
"""Pixels of the shrunken tile by which a place may be mended."""

OWN = 0.75
"""Weight of the tile's own power density against its neighbours', in the logarithm."""

ORDINARY = 3.0
"""Times the neighbours' mean square that is left under a core on ordinary ground, which is not the same everywhere."""

NEWTON = 3
"""Steps between the grids; a fourth moved no size by more than a thousandth."""

_INNER = ACROSS[HOP // 2 : -(HOP // 2)]


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
        """Fit size and place, take the fit out of the noise, and fit again.

        Returns the places, the columns of `ShadowFits` from the size to the misfit, and its `told`.
        """
        power = np.exp(self.nearby)
        best = self._evidence(power, self.places).argmax(axis=1)
        places = self._moved(power, best)
        for _ in range(2):
            left = self.spectra - self.bank.spectra[best] * phase(places)
            power = np.exp(OWN * np.log(noise_power(left, GAIN) + self.floor) + np.float32(1 - OWN) * self.nearby)
            best = self._evidence(power, places).argmax(axis=1)
        return self._refined(power, best, places)

    def _evidence(self, power: FloatArray, places: Array) -> Array:
        """Return Λ and the prior's share of each size at a place, (m, sizes)."""
        weighted = (self.spectra * phase(-places) / power).reshape(-1, COUNT)
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

    def _refined(
        self, power: FloatArray, best: NDArray[np.intp], places: Array
    ) -> tuple[Array, tuple[Array, ...], Array]:
        """Refine size and place between the grids by Newton's steps, with the priors as further observations."""
        at = np.column_stack([np.zeros(len(best)), places])
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
        size = LOGS[best] + STEP * at[:, 0]
        shadow, _ = self._near(best, at)
        variance = np.diagonal(np.linalg.inv(normal), axis1=1, axis2=2)
        error, apart = STEP * np.sqrt(variance[:, 0]), self.bank.step * np.sqrt(variance[:, 1:].mean(axis=1))
        misfit = self._misfit(shadow, at[:, 1:], self.bank.radius[best])
        evidence = self._told(shadow, size)
        weak = np.flatnonzero(self.prior.open & (error > STEP))
        if len(weak):
            size[weak], error[weak], evidence[weak] = self._some(weak)._weighed(power[weak], at[weak, 1:])
        told = np.full((len(best), len(LOGS)), np.nan)
        if not self.prior.fallen:
            told = self._evidence(power, at[:, 1:]) - self.prior.penalty()
        return at[:, 1:], (np.exp(size), error, apart, evidence, misfit), told

    def _some(self, which: NDArray[np.intp]) -> Tiles:
        return Tiles(
            self.spectra[which], self.nearby[which], self.floor, self.places[which], self.bank, self.prior.take(which)
        )

    def _weighed(self, power: FloatArray, places: Array) -> tuple[Array, Array, Array]:
        """Return ln size, its error and the evidence of grains whose size the picture tells to no better than `STEP`.

        They are weighed as fallen dust: the size is the posterior's median, with no shadow at all as one of the
        possibilities, and the evidence the logarithm of the odds for a shadow.
        """
        law = fallen_dust(np.sqrt(self._detectability(power)), self.bank.depth)
        odds = HANDED_OVER + logsumexp(self._evidence(np.exp(self.nearby), places) + law, axis=1)
        size, error = median_size(self._evidence(power, places) + law, none=expit(-odds))
        return size, error, np.asarray(odds)

    def _told(self, shadow: ComplexArray, log_size: Array) -> Array:
        """Return Λ by the neighbours' noise, which is the same whatever is fitted, and the prior's share."""
        overlap = (self.spectra * shadow.conj()).real - (shadow.real**2 + shadow.imag**2) / 2
        told = (overlap * TWICE / np.exp(self.nearby)).sum(axis=(1, 2)) / TILE**2
        return np.asarray(told - 0.5 * ((log_size - np.log(self.prior.diameter_um)) / self.prior.spread) ** 2)

    def _near(self, best: NDArray[np.intp], at: Array) -> tuple[ComplexArray, ComplexArray]:
        """Return shadows between two sizes and pixels, and their slopes with size (in steps), down and right."""
        before, here, after = (self.bank.spectra[np.clip(best + n, 0, LAST)] for n in (-1, 0, 1))
        share = at[:, 0].astype(np.float32)[:, None, None]
        turn = phase(at[:, 1:])
        slope, bend = (after - before) * np.float32(0.5), after - 2 * here + before
        shadow = (here + share * (slope + share / 2 * bend)) * turn
        slopes = np.empty((3, *shadow.shape), dtype=np.complex64)
        slopes[0] = (slope + share * bend) * turn
        turned = np.complex64(-1j) * shadow
        slopes[1], slopes[2] = turned * DOWN[:, None], turned * RIGHT
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
        return np.asarray((white / WINDOW[inner, inner]) ** 2, dtype=np.float32)


def _normal_equations(left: ComplexArray, slopes: ComplexArray, power: FloatArray) -> tuple[Array, Array]:
    """Return the normal equations' matrices (m, 3, 3) and right sides (m, 3) for the change of each parameter."""
    both = np.moveaxis(np.concatenate([slopes, left[None]]), 0, 1).reshape(len(left), 4, COUNT)
    weights = TWICE / power
    weighted = both[:, :3].conj() * weights.reshape(len(left), 1, COUNT)
    products = (weighted @ both.transpose(0, 2, 1)).real.astype(float) / TILE**2
    return products[..., :3], products[..., 3]


def median_size(joint: Array, *, none: Array) -> tuple[Array, Array]:
    """Return the median of ln size and its standard deviation given that there is a grain, (m,) each.

    The median is that of the depth too, and so the repair that leaves least on average; no grain at all, with the
    probability `none`, is less than any size, and where it is likelier than not the smallest is returned.

    Parameters
    ----------
    joint
        ln of the posterior of each of `SIZES_UM`, up to a constant, (m, sizes).
    """
    share = np.exp(joint - logsumexp(joint, axis=1, keepdims=True))
    mean = share @ LOGS
    spread = np.sqrt(np.maximum(share @ LOGS**2 - mean**2, (STEP / 4) ** 2))
    below = none[:, None] + (1 - none[:, None]) * (np.cumsum(share, axis=1) - share / 2)
    return np.array([np.interp(0.5, line, LOGS) for line in below]), spread
