"""What is known of a grain before its shadow is seen in the picture: from elsewhere, or as dust falls and is seen."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, logsumexp

from .shadow_bank import LOGS, STEP, Array

MIDDLE_UM = 25.0
"""About the median of the grains that dust falls as and that anyone would see: a choice."""

PLACE_PX = 1.5
"""Standard deviation of a spot's given place, in pixels: a hand or a detector places it about so well."""

FALLOUT_SLOPE = 0.38
"""Of the log–log² law of grain sizes, N(≥ x) ∝ 10^(−slope·log₁₀²x), x in µm, for dust that fell out of the air (from
memory; 0.926 for cleaned hardware in IEST-STD-CC1246)."""

LEAST_SEEN, SEEN_SPREAD = 1.0, 0.3
"""Nobody asks to mend what doesn't show: a shadow's d′ in the noise of its ground is taken to be above the first, give
or take the second. Shadows of scrub and rock that an observer sees have a median d′ of 1.0 (develop seeds)."""

FAINTEST, FAINT_SPREAD = 0.01, 0.3
"""Nor does a shadow show, on whatever ground, that is much less deep than the first; ln depth, give or take the second.
A large disc is seen from 0.8 % on (`bench.visibility`, 60′)."""

HANDED_OVER = math.log(20.0)
"""ln of the odds, before the picture is asked, that a spot which a hand or a detector points at is a shadow: 20 to 1,
as whoever points has looked already. With 3 to 1 a third more of what is seen in scrub was left."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of grains before their shadows are seen in a picture.

    Attributes
    ----------
    diameter_um, spread
        ln diameter is normal about the logarithm of the first, (m,) each; `spread` is inf where nothing is known.
    place_px
        Standard deviation of the places, (m,).
    fallen
        Whether grains of which nothing is known are taken for dust that fell and is seen; else for anything.
    """

    diameter_um: Array
    spread: Array
    place_px: Array
    fallen: bool = True

    @classmethod
    def none(cls, count: int) -> Prior:
        """Return that nothing at all is known of `count` grains."""
        return cls(np.full(count, MIDDLE_UM), np.full(count, np.inf), np.full(count, PLACE_PX), fallen=False)

    @property
    def open(self) -> NDArray[np.bool_]:
        """Which grains are weighed as fallen dust, booleans (m,)."""
        return np.isinf(self.spread) & self.fallen

    def penalty(self) -> Array:
        """Return the logarithm of the normal density at each of `SIZES_UM`, 0 at its peak, (m, sizes)."""
        apart = LOGS - np.log(self.diameter_um)[:, None]
        return np.asarray(-0.5 * (apart / self.spread[:, None]) ** 2)

    def take(self, some: NDArray[np.intp]) -> Prior:
        """Return it for some of the spots."""
        return Prior(self.diameter_um[some], self.spread[some], self.place_px[some], self.fallen)


def fallen_dust(detectability: Array, depth: Array) -> Array:
    """Return ln of the share of each of `SIZES_UM` among the grains that fall and are seen, (m, sizes).

    The log–log² law's density in ln x, ∝ ln x · 10^(−slope·log₁₀²x), times the chances Φ that d′ and depth are enough
    to show.

    Parameters
    ----------
    detectability
        d′ of each size's shadow on each spot's ground, (m, sizes).
    depth
        Of each size's shadow, 0…1, (sizes,).
    """
    law = np.log(LOGS) - FALLOUT_SLOPE * LOGS**2 / np.log(10)
    shown = log_ndtr((detectability - LEAST_SEEN) / SEEN_SPREAD)
    share = law + shown + log_ndtr(np.log(depth / FAINTEST) / FAINT_SPREAD)
    return np.asarray(share - logsumexp(share, axis=1, keepdims=True))


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
