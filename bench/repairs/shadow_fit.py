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

from ...detectors.contract import Photograph
from ...detectors.whitening import HOP, TILE, noise_power
from ...generators.optics import Optics
from .grain_prior import Prior
from .shadow_bank import GAIN, Array, Bank, bank_of, tile_spectra
from .surroundings import log_about
from .tile_fit import Tiles

COLUMNS, EVIDENCE = 7, 5
"""Of what `ShadowFits` holds, less `optics`: how many columns, and which is the evidence."""

CODING_POWER = {1: 2e-3, 2: 2e-4}

"""Power density added to every ground's, in (log luminance)² a pixel, by the bytes of a code: what coding does to a
shadow and not to the plain ground beside it. In sky, JPEG leaves the neighbours next to no noise but bends a shadow by
a code or two: without this, sizes at f/16 scattered by 2.4 % and were said to be sure to 1.7 %. A tenth of it left a
tenth more of what is seen of shadows in snow, three times of it changed nothing."""

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
        _joined([_fits(photograph, (x[some], y[some]), bank_of(each), prior.take(some)) for some in portions])
        for each in optics
    ]
    best = np.argmax([fit[EVIDENCE] for fit in fits], axis=0)
    x, y, size, size_error, place_error, evidence, misfit = (
        np.choose(best, [fit[number] for fit in fits]) for number in range(COLUMNS)
    )
    return ShadowFits(x, y, size, size_error, place_error, evidence, misfit, best)


def _joined(parts: Sequence[tuple[Array, ...]]) -> tuple[Array, ...]:
    return tuple(np.concatenate(columns) for columns in zip(*parts, strict=True))


def _fits(photograph: Photograph, places: tuple[Array, Array], bank: Bank, prior: Prior) -> tuple[Array, ...]:
    middle = (bank.step - 1) / 2  # of a shrunken pixel, in pixels of the photograph
    # Each spot's tile begins on a pixel of its own, so that the place stays within half a shrunken pixel of its middle.
    corner = [np.rint((at - middle) / bank.step).astype(np.intp) for at in places]
    right, down = ((at - middle) / bank.step - whole for at, whole in zip(places, corner, strict=True))
    logs = [log_about(photograph, column, row, bank.step) for column, row in zip(*corner, strict=True)]
    if not logs:
        return tuple(np.zeros(0) for _ in range(COLUMNS))
    wide = np.stack(logs)
    around = [tile_spectra(wide[:, HOP + i : HOP + i + TILE, HOP + j : HOP + j + TILE]) for i, j in _NEIGHBOURS]
    floor = np.float32(CODING_POWER[photograph.pixels.dtype.itemsize])
    nearby = np.log(np.stack([noise_power(each, GAIN) for each in around]) + floor).mean(axis=0)
    tile = tile_spectra(wide[:, HOP:-HOP, HOP:-HOP])
    tiles = Tiles(tile, nearby, floor, np.stack([down, right], axis=1), bank, prior)
    at, *columns = tiles.settled()
    x, y = ((whole + off) * bank.step + middle for whole, off in zip(corner, (at[:, 1], at[:, 0]), strict=True))
    return (x, y, *columns)
