"""One opaque grain's shadow fitted to a flattened picture: place and diameter, at a given filter distance."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from ...generators.optics import Optics
from ...generators.shadow import LUMINANCE, stamp
from .tabled import light_stamp

Array = NDArray[np.float64]

DIAMETER_UM = (3.0, 400.0)
"""Diameters that a fit may give."""

FAR_PX = 4.0
"""A fit may move a candidate so far, or by a third of its width."""

STEP = 0.02
"""Step in ln p of the derivative with respect to size."""

LEAST_RADIUS_PX = 8


@dataclass(frozen=True, slots=True)
class ShadowFit:
    """A fitted shadow.

    Attributes
    ----------
    x, y
        Centre in pixels.
    diameter_um, diameter_se_um
        Of the grain, with its standard error, the noise taken as white.
    misfit
        Sum of squared residuals.
    count
        Pixels fitted.
    spread
        Variance of the values about the place, which the shadow explains or not.
    """

    x: float
    y: float
    diameter_um: float
    diameter_se_um: float
    misfit: float
    count: int
    spread: float


@dataclass(frozen=True, slots=True)
class Patch:
    """A square part of a picture: its values and its first pixel's row and column."""

    values: Array
    top: int
    left: int


def patch_about(picture: NDArray[np.floating], x: float, y: float, *, radius: int) -> Patch:
    """Return the pixels within `radius` of a place along each axis, as far as the picture goes."""
    row, column = round(y), round(x)
    top, left = max(0, row - radius), max(0, column - radius)
    part = picture[top : max(top, row + radius + 1), left : max(left, column + radius + 1)]
    return Patch(np.asarray(part, dtype=np.float64), top, left)


def fit_radius(diameter_um: float, optics: Optics) -> int:
    """Return how far about a grain the fit looks, in pixels: the shadow, its first bright rim and clear ground."""
    rim_um = math.sqrt(0.55 * optics.distance_um)
    reach_um = (diameter_um + optics.blur_um) / 2 + rim_um
    return max(LEAST_RADIUS_PX, math.ceil(reach_um / optics.pixel_um) + 3)


def transmission(diameter_um: float, optics: Optics, *, x: float, y: float, patch: Patch) -> Array:
    """Return T in luminance at a patch's pixels of a grain whose shadow is centred on (x, y); 1 beyond its stamp."""
    column, row = round(x), round(y)
    return _laid(light_stamp(diameter_um, optics, offset_px=(x - column, y - row)), row, column, patch)


def _exact_transmission(diameter_um: float, optics: Optics, *, x: float, y: float, patch: Patch) -> Array:
    """Return the same without a table, for optics under which few shadows are asked for."""
    column, row = round(x), round(y)
    light = np.tensordot(LUMINANCE, stamp(diameter_um, optics, offset_px=(x - column, y - row)), axes=1)
    return _laid(light, row, column, patch)


def _laid(light: Array, row: int, column: int, patch: Patch) -> Array:
    """Return a stamp, its middle on a pixel of the picture, at a patch's pixels."""
    half = light.shape[0] // 2
    height, width = patch.values.shape
    found = np.ones((height, width))
    up, start = row - half - patch.top, column - half - patch.left  # of the stamp's first pixel in the patch
    rows = slice(max(0, up), max(0, min(height, up + len(light))))
    columns = slice(max(0, start), max(0, min(width, start + len(light))))
    if rows.stop > rows.start and columns.stop > columns.start:
        found[rows, columns] = light[rows.start - up : rows.stop - up, columns.start - start : columns.stop - start]
    return found


def fit_shadow(
    patch: Patch, optics: Optics, *, at: tuple[float, float], diameter_um: float, exact: bool = False
) -> ShadowFit:
    """Return the least-squares fit of T(x, y, p)·(c₀ + c₁ξ + c₂η) to a patch, ξ and η from the place.

    Parameters
    ----------
    patch
        Light over smooth light about the place, `fit_radius` to each side or more.
    optics
        Aperture, filter distance, pixel.
    at, diameter_um
        Where to begin: (x, y) in pixels, and the grain.
    exact
        Compute each shadow anew instead of making a table for these optics, which pays from some 200 shadows on.
    """
    x, y = at
    model = _Model(patch, optics, x, y, _exact_transmission if exact else transmission)
    reach = max(FAR_PX, 0.15 * max(patch.values.shape))
    start = np.array([0.0, 0.0, math.log(diameter_um), 1.0, 0.0, 0.0])
    size = [math.log(limit) for limit in DIAMETER_UM]
    low = [-reach, -reach, size[0], 0.5, -0.5, -0.5]
    high = [reach, reach, size[1], 1.5, 0.5, 0.5]
    start[2] = min(max(start[2], size[0] + 1e-6), size[1] - 1e-6)
    best = least_squares(
        model.residual, start, jac=model.slopes, bounds=(low, high), max_nfev=12, xtol=1e-4, ftol=1e-5, gtol=1e-10
    )
    dx, dy, log_size = (float(value) for value in best.x[:3])
    misfit, count = float(2 * best.cost), patch.values.size
    diameter = math.exp(log_size)
    error = diameter * _standard_error(np.asarray(best.jac), misfit / max(1, count - 6))
    return ShadowFit(x + dx, y + dy, diameter, error, misfit, count, float(patch.values.var()))


def _standard_error(jacobian: Array, variance: float) -> float:
    """Return the standard error of the third parameter."""
    return math.sqrt(variance * float(np.linalg.pinv(jacobian.T @ jacobian)[2, 2]))


class _Model:
    """Residuals and their slopes in (dx, dy, ln p, c₀, c₁, c₂)."""

    def __init__(self, patch: Patch, optics: Optics, x: float, y: float, cast: Callable[..., Array]) -> None:
        self.patch, self.optics, self.x, self.y, self.cast = patch, optics, x, y, cast
        height, width = patch.values.shape
        scale = 0.5 * max(height, width)
        self.eta, self.xi = np.mgrid[0:height, 0:width].astype(float)
        self.eta = (self.eta + patch.top - y) / scale
        self.xi = (self.xi + patch.left - x) / scale
        self._at: tuple[float, ...] = ()
        self._light = patch.values

    def light(self, theta: Array, *, further: float = 0.0) -> Array:
        """Return T; `further` is added to ln p."""
        key = (float(theta[0]), float(theta[1]), float(theta[2]) + further)
        if key == self._at:
            return self._light
        light = self.cast(math.exp(key[2]), self.optics, x=self.x + key[0], y=self.y + key[1], patch=self.patch)
        if further == 0.0:
            self._at, self._light = key, light
        return light

    def ground(self, theta: Array) -> Array:
        return np.asarray(theta[3] + theta[4] * self.xi + theta[5] * self.eta)

    def residual(self, theta: Array) -> Array:
        return np.asarray((self.light(theta) * self.ground(theta) - self.patch.values).ravel())

    def slopes(self, theta: Array) -> Array:
        light, ground = self.light(theta), self.ground(theta)
        down, right = np.gradient(light)
        larger = (self.light(theta, further=STEP) - light) / STEP
        columns = [-right * ground, -down * ground, larger * ground, light, light * self.xi, light * self.eta]
        return np.stack([column.ravel() for column in columns], axis=1)


def opacity(patch: Patch, found: ShadowFit, optics: Optics) -> tuple[float, float]:
    """Return by what factor a patch's shadow is as deep as the fitted grain's, and its standard error.

    The linear fit of a·(T − 1) + c₀ + c₁ξ + c₂η: 1 for an opaque grain, less for what lets light through or is
    not in this picture.
    """
    model = _Model(patch, optics, found.x, found.y, transmission)
    dark = transmission(found.diameter_um, optics, x=found.x, y=found.y, patch=patch) - 1
    design = np.stack([dark.ravel(), np.ones(dark.size), model.xi.ravel(), model.eta.ravel()], axis=1)
    values = patch.values.ravel()
    solved, *_ = np.linalg.lstsq(design, values, rcond=None)
    left = values - design @ solved
    variance = float(left @ left) / max(1, left.size - 4)
    error = math.sqrt(variance * float(np.linalg.pinv(design.T @ design)[0, 0]))
    return float(solved[0]), error
