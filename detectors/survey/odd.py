"""Dark places that stay like dust but are no round grain: fibres, rings, scratches, drops."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from .shadow_fit import ShadowFit

LINK_WIDTHS = 2.5
"""Places nearer to each other than so many widths of the pupil's image are parts of one thing: a fibre is found as a
string of them."""

RIM_WIDTHS = 1.5
"""Nearer to a grain than so many of its widths a place is what its irregular outline leaves."""

Place = tuple[float, float]


def odd_things(
    odd: Sequence[ShadowFit], grains: Sequence[tuple[Place, float]], *, width_px: float
) -> tuple[Place, ...]:
    """Return the middle of each thing that is no grain.

    Parameters
    ----------
    odd
        Fits of places that all frames show and no disk explains.
    grains
        Place and full width at half depth of each grain.
    width_px
        Of the pupil's image, the least width of a shadow.
    """
    places = [(fit.x, fit.y) for fit in odd if not _is_rim((fit.x, fit.y), grains)]
    if not places:
        return ()
    points = np.array(places)
    pairs = cKDTree(points).query_pairs(LINK_WIDTHS * width_px, output_type="ndarray").reshape(-1, 2)
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points)))
    count, member = connected_components(links, directed=False)
    middles = [points[member == number].mean(axis=0) for number in range(count)]
    return tuple((float(x), float(y)) for x, y in middles)


def _is_rim(place: Place, grains: Sequence[tuple[Place, float]]) -> bool:
    return any(math.dist(place, at) < RIM_WIDTHS * width for at, width in grains)
