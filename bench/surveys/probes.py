"""Grains of the stated size, laid into the very frames that the statement was made of, by the yard's own optics.

The statement itself was made with the survey's filter distance and a copy of the frames' light; here the sensor is
photographed once more, screen, noise and file as they were, with grains of diameter X on it where none larger is said
to lie. At least nine in ten ought to be named.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ...detectors.survey import Dust, stacked
from ...detectors.survey.dust import found_dust
from ...generators.particles import Grain
from ...generators.roll import Roll, render_with
from ..field.survey.limit import reach_px
from ..handover import photograph

PROBES = 40
"""Grains laid in at most."""

APART_WIDTHS = 4.0
"""They lie so many widths of a shadow apart, so that none hides another."""

_PROBES = 97
"""The stream of random numbers that places them."""


def found_probes(roll: Roll, size_um: float, dust: Dust, *, first: int, claimed: NDArray[np.bool_]) -> tuple[int, int]:
    """Return how many grains were laid in and how many of them the survey names at its own filter distance.

    Parameters
    ----------
    roll, first
        The sensor, and the first of the exposures that were surveyed.
    size_um
        X; none are laid where it is not finite.
    claimed
        Where the statement holds, (height, width).
    """
    if not math.isfinite(size_um):
        return 0, 0
    places = probe_places(roll, dust, claimed=claimed, first=first)
    scene = roll.scene(first)
    scale = scene.optics.magnification / (scene.optics.pixel_um / 1000)
    middle = (np.array(claimed.shape)[::-1] - 1) / 2
    grains = [Grain(float(x), float(y), size_um) for x, y in (places - middle) / scale]
    half = len(roll) // 2
    shots = [photograph(render_with(roll, index, grains)) for index in range(first, first + half)]
    seen = found_dust(stacked(shots), dust.optics, dust.distance)
    named = np.column_stack([seen.column("x"), seen.column("y")])
    far = np.hypot(*(places[:, None] - named[None]).transpose(2, 0, 1)) if len(named) else np.empty((len(places), 0))
    return len(places), int(np.sum(far.min(axis=1, initial=np.inf) <= reach_px(dust)))


def probe_places(roll: Roll, dust: Dust, *, claimed: NDArray[np.bool_], first: int) -> NDArray[np.float64]:
    """Return places (x, y) on claimed ground, apart from each other, by chance."""
    rng = np.random.default_rng(np.random.SeedSequence(roll.seed, spawn_key=(_PROBES, first)))
    apart = APART_WIDTHS * 2 * reach_px(dust)
    kept: list[NDArray[np.float64]] = []
    for _ in range(20 * PROBES):
        place = rng.uniform((-0.5, -0.5), (claimed.shape[1] - 0.5, claimed.shape[0] - 0.5))
        column, row = np.rint(place).astype(int)
        inside = claimed[min(max(row, 0), claimed.shape[0] - 1), min(max(column, 0), claimed.shape[1] - 1)]
        if inside and all(np.hypot(*(place - other)) > apart for other in kept):
            kept.append(place)
        if len(kept) == PROBES:
            break
    return np.array(kept).reshape(-1, 2)
