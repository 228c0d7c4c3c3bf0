"""Many shadows fitted in one picture, each with its neighbours' shadows divided out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ...generators.optics import Optics
from ..contract import FloatArray, Spots
from .candidates import shadow_candidates
from .shadow_fit import Patch, ShadowFit, fit_radius, fit_shadow, patch_about, transmission

Scored = tuple[ShadowFit, float]
"""A fit and the response of the candidate that it began with."""

LEAST_LIGHT = 0.05
"""Transmission under which another's shadow is not divided out further: what lies in its dark is lost."""

LOOKS = 2
"""Looks at a picture; a third found nothing more."""

LEAST_START_UM = 12.0
"""Candidates are as wide as their shadow, max(p, d/N): a grain not wider than the pupil's image begins smaller."""


def fit_all(picture: FloatArray, optics: Optics, *, floor: float, usable: NDArray[np.bool_]) -> list[Scored]:
    """Return a fit a shadow that a flattened picture shows, the plainest first.

    After the first look all fitted shadows are divided out and a second look is taken: a deep shadow's own power
    counts as noise about it, and hides the small grains beside it from the first.

    Parameters
    ----------
    picture
        Light over smooth light (height, width).
    floor
        Least response of a candidate.
    usable
        Where candidates are looked for, (height, width).
    """
    found: list[Scored] = []
    left = picture
    for _ in range(LOOKS):
        spots = shadow_candidates(left, optics, floor=floor)
        spots = spots.take(_inside(spots, usable))
        fresh = _new(found, _first_fits(left, spots, optics), optics)
        if not fresh:
            break
        found = _again(picture, [*found, *fresh], fresh, optics)
        left = without(picture, [fit for fit, _ in found], optics)
    return found


def _inside(spots: Spots, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    rows = np.clip(np.rint(spots.y).astype(int), 0, usable.shape[0] - 1)
    columns = np.clip(np.rint(spots.x).astype(int), 0, usable.shape[1] - 1)
    return np.asarray(usable[rows, columns])


def _first_fits(picture: FloatArray, spots: Spots, optics: Optics) -> list[Scored]:
    found = []
    for x, y, width, score in zip(spots.x, spots.y, spots.diameter_px, spots.score, strict=True):
        start = _start_um(float(width), optics)
        wide = max(start, float(width) * optics.pixel_um)
        patch = patch_about(picture, float(x), float(y), radius=fit_radius(wide, optics))
        found.append((fit_shadow(patch, optics, at=(float(x), float(y)), diameter_um=start), float(score)))
    return found


def _new(known: Sequence[Scored], fits: Sequence[Scored], optics: Optics) -> list[Scored]:
    """Return fits, strongest first, whose centre lies within half a width of no known and no stronger one."""
    kept: list[Scored] = []
    for fit, score in sorted(fits, key=lambda scored: -scored[1]):
        others = (*known, *kept)
        if all(math.hypot(fit.x - other.x, fit.y - other.y) > _half_px(other, optics) for other, _ in others):
            kept.append((fit, score))
    return kept


def _half_px(fit: ShadowFit, optics: Optics) -> float:
    return max(fit.diameter_um, optics.blur_um) / optics.pixel_um / 2


def _again(picture: FloatArray, fits: Sequence[Scored], fresh: Sequence[Scored], optics: Optics) -> list[Scored]:
    """Return all fits, the fresh ones and those beside them made anew with their neighbours divided out."""
    added = {id(scored) for scored in fresh}
    found = []
    for number, (fit, score) in enumerate(fits):
        near = neighbours(fits, number, optics)
        if id(fits[number]) in added or any(id(other) in added for other in near):
            patch = alone(picture, fit, [other for other, _ in near], optics)
            fit = fit_shadow(patch, optics, at=(fit.x, fit.y), diameter_um=fit.diameter_um)  # noqa: PLW2901
        found.append((fit, score))
    return found


def without(picture: FloatArray, fits: Sequence[ShadowFit], optics: Optics) -> FloatArray:
    """Return a picture with all fitted shadows divided out."""
    left = picture.copy()
    for fit in fits:
        patch = patch_about(left, fit.x, fit.y, radius=fit_radius(fit.diameter_um, optics))
        light = np.maximum(transmission(fit.diameter_um, optics, x=fit.x, y=fit.y, patch=patch), LEAST_LIGHT)
        height, width = patch.values.shape
        left[patch.top : patch.top + height, patch.left : patch.left + width] = patch.values / light
    return left


def _start_um(width_px: float, optics: Optics) -> float:
    width = width_px * optics.pixel_um
    return width if width > 1.1 * optics.blur_um else max(LEAST_START_UM, 0.5 * optics.blur_um)


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
