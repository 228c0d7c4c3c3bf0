"""The optical shadow that explains a dark spot best: its place and its grain, fitted in log luminance.

The ground under a shadow is unknown, but its statistics are those of the ground beside it. So the spot's tile is
whitened by a power density P, of its neighbours and of itself with the fitted shadow taken out, and the likelihood of
each grain's shadow S at each place follows: Λ = Σ (Re F S* − |S|²/2) / P, F the tile's spectrum. A shadow's depth is
the grain's size; nothing else is free but the place. What is known from elsewhere enters as a normal prior; where
nothing is and the picture tells little, the size is the median of what falls and shows (`grain_prior`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import FloatArray, Photograph, Spots
from ...detectors.whitening import HOP, TILE, noise_power
from ...generators.optics import Optics
from .grain_prior import Prior
from .shadow_bank import GAIN, LOGS, SIZES_UM, Array, Bank, bank_of, tile_spectra
from .shadow_neighbours import NEAR, Company, Fitted
from .surroundings import log_about
from .tile_fit import Tiles

COLUMNS, SIZE, EVIDENCE = 7, 2, 5
"""Of what `ShadowFits` holds, less `optics` and `told`: how many columns, which is the size and which the evidence."""

CODING_POWER = {1: 2e-3, 2: 2e-4}

"""Power density added to every ground's, in (log luminance)² a pixel, by the bytes of a code: what coding does to a
shadow and not to the plain ground beside it. In sky, JPEG leaves the neighbours next to no noise but bends a shadow by
a code or two: without this, sizes at f/16 scattered by 2.4 % and were said to be sure to 1.7 %. A tenth of it left a
tenth more of what is seen of shadows in snow, three times of it changed nothing."""

CUT_WITHIN, CUT_ROUNDS = 2.0, 16
"""A shadow is nearly cut by a border nearer than so many half widths; it is fitted up to so many times more, since what
stands beyond the border is made up from the last fit. A grain of 100 µm whose centre lay 2 px within the frame was held
for one of 113 µm by a roll."""

DRAWN_IN = 0.25
"""Half widths within the border from where such fits begin."""

SETTLED_PX, SETTLED = 0.02, 0.001
"""Changes of place and of ln size from one time to the next below which it is fitted no more."""

_NEIGHBOURS = ((-HOP, 0), (HOP, 0), (0, -HOP), (0, HOP))

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
        does; ≤ 0 speaks for none. Where the picture hardly tells the size, the logarithm of the odds for a shadow.
    misfit
        What is left under the core once the shadow is taken out, beyond what the ground would leave, as a share of
        what the shadow took there, squares by squares; ≥ 0, 0 where nothing is left.
    optics
        What casts each shadow, by number in the list that was given, integers (m,).
    told
        Λ of each of `SIZES_UM` at the fitted place, without a prior, (m, sizes); nan where unknown grains are weighed
        as fallen dust, which needs no table.
    """

    x: Array
    y: Array
    diameter_um: Array
    size_error: Array
    place_error: Array
    evidence: Array
    misfit: Array
    optics: NDArray[np.intp]
    told: Array


def fit_shadows(
    photograph: Photograph, spots: Spots, *, optics: Sequence[Optics], prior: Prior | None = None
) -> ShadowFits:
    """Return the shadows that fit best about spots, of all sizes and the given optics.

    Of shadows that lie close to each other the one with the higher score is fitted first and taken out of the picture
    before its neighbours are; then each is fitted again without all the others.

    Parameters
    ----------
    spots
        Where they are said to lie, see `PLACE_PX`.
    optics
        At least one.
    prior
        What is known of the grains; None for nothing.
    """
    prior = prior or Prior.none(len(spots))
    fits = np.stack([_Sitting.of(photograph, spots, bank_of(each), prior).fitted() for each in optics])
    best = np.argmax(fits[:, EVIDENCE], axis=0)
    chosen = fits[best, :, np.arange(len(spots))]
    x, y, size, size_error, place_error, evidence, misfit = chosen[:, :COLUMNS].T
    told = chosen[:, COLUMNS:]
    return ShadowFits(x, y, size, size_error, place_error, evidence, misfit, best, told)


@dataclass(frozen=True, slots=True)
class _Sitting:
    """One photograph, the spots in it, what casts them, what is known, and which lie close together."""

    photograph: Photograph
    x: Array
    y: Array
    bank: Bank
    prior: Prior
    company: Company

    @classmethod
    def of(cls, photograph: Photograph, spots: Spots, bank: Bank, prior: Prior) -> _Sitting:
        x, y, strength = (column.astype(float) for column in (spots.x, spots.y, spots.score))
        company = Company.of(x, y, strength=strength, reach_px=NEAR * bank.step)
        return cls(photograph, x, y, bank, prior, company)

    def fitted(self) -> Array:
        """Return the columns of `ShadowFits`, those of `told` after them, (COLUMNS + sizes, m)."""
        found = np.full((COLUMNS + len(SIZES_UM), len(self.x)), np.nan)
        turns = range(int(self.company.turn.max(initial=-1)) + 1)
        for turn in turns:
            self._fit(self.company.turn == turn, found)
        accompanied = np.array([len(near) > 0 for near in self.company.near], dtype=bool)
        cut = self._cut(found)
        again = accompanied | cut
        self._draw_in(found, cut)
        for _ in range(CUT_ROUNDS):
            earlier = found[: SIZE + 1].copy()
            for turn in turns if again.any() else ():
                self._fit((self.company.turn == turn) & again, found)
            moved = np.abs(found[:SIZE] - earlier[:SIZE]).max(axis=0, initial=0) > SETTLED_PX
            again = cut & (moved | (np.abs(np.log(found[SIZE] / earlier[SIZE])) > SETTLED))
        return found

    def _draw_in(self, found: Array, cut: NDArray[np.bool_]) -> None:
        """Put shadows that a border cuts a little within the frame, where the fits begin to be their own.

        With the centre on the border a shadow is its own mirror image, and beyond it the fit would run away.
        """
        inset = DRAWN_IN * self._half(found)
        for line, side in zip(found[:2], self.photograph.shape[::-1], strict=True):
            low = np.minimum(inset, (side - 1) / 2)
            line[cut] = np.clip(line, low, side - 1 - low)[cut]

    def _half(self, found: Array) -> Array:
        """Return half the widths of fitted shadows, in pixels of the photograph."""
        return np.asarray(self.bank.step * np.interp(np.log(found[SIZE]), LOGS, self.bank.radius))

    def _cut(self, found: Array) -> NDArray[np.bool_]:
        """Return which shadows the frame's borders cut, or nearly."""
        height, width = self.photograph.shape
        to_border = np.minimum(np.minimum(found[0], width - 1 - found[0]), np.minimum(found[1], height - 1 - found[1]))
        return np.asarray(to_border < CUT_WITHIN * self._half(found))

    def _fit(self, chosen: NDArray[np.bool_], found: Array) -> None:
        """Fit some of the spots, those near them taken out as far as they are fitted; put the answers into `found`."""
        which = np.flatnonzero(chosen)
        middle, step = self._middle, self.bank.step
        own = np.log(found[SIZE])
        log_size = np.where(found[EVIDENCE] > 0, own, np.nan)
        before = Fitted((found[0] - middle) / step, (found[1] - middle) / step, log_size, own)
        for start in range(0, len(which), _AT_ONCE):
            some = which[start : start + _AT_ONCE]
            found[:, some] = self._fits(some, before)

    @property
    def _middle(self) -> float:
        """Where the middle of the first shrunken pixel lies, in pixels of the photograph."""
        return (self.bank.step - 1) / 2

    def _fits(self, some: NDArray[np.intp], before: Fitted) -> Array:
        # Each spot's tile begins on a pixel of its own, so that the place stays within half a shrunken pixel of its
        # middle.
        at = [(line[some] - self._middle) / self.bank.step for line in (self.x, self.y)]
        corner = [np.rint(line).astype(np.intp) for line in at]
        wide = np.stack([self._log((c, r), n, before) for c, r, n in zip(*corner, some.tolist(), strict=True)])
        around = [tile_spectra(wide[:, HOP + i : HOP + i + TILE, HOP + j : HOP + j + TILE]) for i, j in _NEIGHBOURS]
        floor = np.float32(CODING_POWER[self.photograph.pixels.dtype.itemsize])
        nearby = np.log(np.stack([noise_power(each, GAIN) for each in around]) + floor).mean(axis=0)
        off = np.stack([at[1] - corner[1], at[0] - corner[0]], axis=1)
        tile = tile_spectra(wide[:, HOP:-HOP, HOP:-HOP])
        places, columns, told = Tiles(tile, nearby, floor, off, self.bank, self.prior.take(some)).settled()
        x, y = (
            (whole + moved) * self.bank.step + self._middle for whole, moved in zip(corner, places.T[::-1], strict=True)
        )
        return np.concatenate([np.stack([x, y, *columns]), told.T])

    def _log(self, place: tuple[int, int], number: int, before: Fitted) -> FloatArray:
        """Return log luminance about a pixel without the shadows near a spot, as far as they are fitted."""
        column, row = place
        log = log_about(self.photograph, column, row, self.bank.step)
        height, width = (max(1, side // self.bank.step) for side in self.photograph.shape)
        log = before.unmirrored(log, number, place, sides=(height, width), bank=self.bank)
        return before.take_out(log, self.company.near[number], column=column, row=row, bank=self.bank)
