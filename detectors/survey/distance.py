"""The filter's distance from the shadows of several grains, which all share it.

A shadow's light lost, ∫(1 − T) = πp²/4, gives the grain's diameter p at any distance; its width d/N and, for p > d/N,
the softness of its edge give d. So p and d part where a shadow is well above the noise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from ...generators.optics import Optics
from ..optical_scales import ladder
from .shadow_fit import ShadowFit, fit_radius, fit_shadow, patch_about

Array = NDArray[np.float64]

RANGE_MM = (0.4, 3.6)
"""Air-equivalent distances looked for, a little more than the 0.5–3 mm of published stacks."""

START_MM = 1.4
"""The part of the picture that is fitted is that of a shadow at this distance."""

RATIO = 1.17
"""Step between tried distances; a cubic fills in."""

MOST_GRAINS = 16
"""The plainest grains are enough: each costs a tenth of a second."""

CAP = 25.0
"""A grain that fits worse than at its own best distance by more than χ² = 25 counts as this: not all are disks."""

SCATTER = 0.03
"""Error of the model as a share of a shadow's depth, root mean square: grains are not quite round or opaque, cameras
sharpen. It keeps a few deep shadows from deciding alone."""

PROCESSING = 0.03
"""Sharpening and noise reduction in the camera narrow shadows: rendered in-camera JPEGs read 2 to 3 % too near. The
interval is widened by this at each end."""

RESAMPLES = 200
"""Draws of grains with replacement for the interval."""


@dataclass(frozen=True, slots=True)
class Distance:
    """The filter's air-equivalent distance with a 95 % interval.

    Attributes
    ----------
    mm, low_mm, high_mm
        nan for the ends where too few grains tell.
    grains
        How many told.
    """

    mm: float
    low_mm: float
    high_mm: float
    grains: int


LEAST_GRAINS = 3
"""From fewer grains the distance is not taken."""


def filter_distance(
    picture: NDArray[np.floating], optics: Optics, starts: Sequence[tuple[float, float, float]]
) -> Distance:
    """Return the distance at which grains, each with a diameter of its own, fit best together.

    Parameters
    ----------
    picture
        Light over smooth light (height, width).
    optics
        Aperture and pixel; its distance stands where nothing tells better.
    starts
        (x, y, diameter in µm) of grains, the plainest first, well apart from each other.
    """
    tried = ladder(*RANGE_MM, ratio=RATIO)
    curves = np.array([_misfits(picture, optics, start, tried=tried) for start in starts[:MOST_GRAINS]])
    if len(curves) < LEAST_GRAINS:
        return Distance(optics.filter_distance_mm, math.nan, math.nan, len(curves))
    fine = np.linspace(math.log(tried[0]), math.log(tried[-1]), 40 * len(tried))
    smooth = CubicSpline(np.log(tried), curves, axis=1)(fine)
    capped = np.minimum(smooth - smooth.min(axis=1, keepdims=True), CAP)
    rng = np.random.default_rng(0)  # the same interval for the same grains
    draws = rng.integers(len(capped), size=(RESAMPLES, len(capped)))
    again = fine[capped[draws].sum(axis=1).argmin(axis=1)]
    best, low, high = np.exp([fine[capped.sum(axis=0).argmin()], *np.percentile(again, [2.5, 97.5])])
    return Distance(float(best), float(low) * (1 - PROCESSING), float(high) * (1 + PROCESSING), len(capped))


def _misfits(
    picture: NDArray[np.floating], optics: Optics, start: tuple[float, float, float], *, tried: Sequence[float]
) -> Array:
    """Return χ² of the best fit of one grain at each distance, all over the same pixels."""
    x, y, diameter = start
    radius = fit_radius(diameter, replace(optics, filter_distance_mm=START_MM))
    patch = patch_about(picture, x, y, radius=radius)
    fits: list[ShadowFit] = []
    for distance in tried:  # each fit begins where the one before ended
        there = replace(optics, filter_distance_mm=distance)
        fits.append(fit_shadow(patch, there, at=(x, y), diameter_um=diameter, exact=True))
        x, y, diameter = fits[-1].x, fits[-1].y, fits[-1].diameter_um
    misfits = np.array([fit.misfit for fit in fits])
    return np.asarray(misfits / (misfits.min() / patch.values.size + SCATTER**2 * fits[0].spread))
