"""Many shadows fitted in one picture, each with its neighbours' shadows divided out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ...generators.optics import Optics
from ..contract import Spots
from .shadow_fit import Patch, ShadowFit, fit_radius, fit_shadow, patch_about, transmission

Scored = tuple[ShadowFit, float]
"""A fit and the response of the candidate that it began with."""

LEAST_START_UM = 12.0
"""Candidates are as wide as their shadow, max(p, d/N): a grain not wider than the pupil's image begins smaller."""


def fit_all(picture: NDArray[np.floating], spots: Spots, optics: Optics) -> list[Scored]:
    """Return a fit a candidate, the plainest first, without those that fall together."""
    first: list[Scored] = []
    for x, y, width, score in zip(spots.x, spots.y, spots.diameter_px, spots.score, strict=True):
        start = _start_um(float(width), optics)
        wide = max(start, float(width) * optics.pixel_um)
        patch = patch_about(picture, float(x), float(y), radius=fit_radius(wide, optics))
        fit = fit_shadow(patch, optics, at=(float(x), float(y)), diameter_um=start)
        first.append((fit, float(score)))
    first = _apart(first, optics)
    return [
        (_again(picture, fit, [other for other, _ in neighbours(first, number, optics)], optics), score)
        for number, (fit, score) in enumerate(first)
    ]


def _start_um(width_px: float, optics: Optics) -> float:
    width = width_px * optics.pixel_um
    return width if width > 1.1 * optics.blur_um else max(LEAST_START_UM, 0.5 * optics.blur_um)


def _apart(fits: Sequence[Scored], optics: Optics) -> list[Scored]:
    """Return the fits, strongest first, that no stronger one has its centre within half a width of."""
    kept: list[Scored] = []
    for fit, score in sorted(fits, key=lambda scored: -scored[1]):
        reach = max(fit.diameter_um, optics.blur_um) / optics.pixel_um / 2
        if all(math.hypot(fit.x - other.x, fit.y - other.y) > reach for other, _ in kept):
            kept.append((fit, score))
    return kept


def neighbours(fits: Sequence[Scored], number: int, optics: Optics) -> list[Scored]:
    """Return the other fits whose shadows reach into the part of the picture that a fit looks at."""
    fit = fits[number][0]
    reach = fit_radius(fit.diameter_um, optics)
    return [
        (other, score)
        for index, (other, score) in enumerate(fits)
        if index != number
        and max(abs(other.x - fit.x), abs(other.y - fit.y)) < reach + fit_radius(other.diameter_um, optics)
    ]


def alone(picture: NDArray[np.floating], fit: ShadowFit, near: Sequence[ShadowFit], optics: Optics) -> Patch:
    """Return the patch about a fitted shadow with others' shadows divided out."""
    patch = patch_about(picture, fit.x, fit.y, radius=fit_radius(fit.diameter_um, optics))
    values = patch.values
    for other in near:
        light = transmission(other.diameter_um, optics, x=other.x, y=other.y, patch=patch)
        values = values / np.maximum(light, LEAST_LIGHT)
    return Patch(values, patch.top, patch.left)


LEAST_LIGHT = 0.05
"""Transmission under which another's shadow is not divided out further: what lies in its dark is lost."""


def _again(picture: NDArray[np.floating], fit: ShadowFit, near: Sequence[ShadowFit], optics: Optics) -> ShadowFit:
    patch = alone(picture, fit, near, optics)
    return fit_shadow(patch, optics, at=(fit.x, fit.y), diameter_um=fit.diameter_um)
