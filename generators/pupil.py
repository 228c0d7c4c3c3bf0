"""The exit pupil as the filter projects it onto the sensor: its Fourier transform, normalised to 1 at f = 0."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

from .optics import Optics

FloatArray = NDArray[np.float64]


def jinc(x: FloatArray) -> FloatArray:
    """Return 2·J₁(x)/x, which is 1 at 0."""
    safe = np.where(x == 0, 1.0, x)
    return np.where(x == 0, 1.0, 2 * j1(safe) / safe)


def polygon_corners(blades: int, area: float, angle_deg: float) -> FloatArray:
    """Return the corners (blades, 2) of a regular polygon of the given area, counter-clockwise."""
    radius = math.sqrt(2 * area / (blades * math.sin(2 * math.pi / blades)))
    turn = math.radians(angle_deg) + 2 * math.pi * np.arange(blades) / blades
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


def polygon_transform(corners: FloatArray, fx: FloatArray, fy: FloatArray) -> NDArray[np.complex128]:
    """Return the Fourier transform ∫ exp(−2πi f·x) dx of a polygon, in units of its area scale.

    By the divergence theorem the area integral is a sum over edges Δ with midpoints m:
    F = i/(2π|f|²) Σ (f_x Δ_y − f_y Δ_x) sinc(f·Δ) exp(−2πi f·m); at f = 0 it is the area.
    """
    step = np.roll(corners, -1, axis=0) - corners
    middle = corners + step / 2
    f2 = fx * fx + fy * fy
    total = np.zeros(np.broadcast(fx, fy).shape, dtype=np.complex128)
    for (dx, dy), (mx, my) in zip(step, middle, strict=True):
        along = np.sinc(fx * dx + fy * dy)
        total += (fx * dy - fy * dx) * along * np.exp(-2j * math.pi * (fx * mx + fy * my))
    area = 0.5 * float(np.sum(corners[:, 0] * np.roll(corners[:, 1], -1) - np.roll(corners[:, 0], -1) * corners[:, 1]))
    safe = np.where(f2 == 0, 1.0, f2)
    return np.where(f2 == 0, area, 1j * total / (2 * math.pi * safe))


def pupil_transform(optics: Optics, fx: FloatArray, fy: FloatArray) -> NDArray[Any]:
    """Return the transform of the projected pupil at frequencies in cycles/µm.

    A round diaphragm gives a disk of diameter d/N. A bladed one of the same marking passes the same
    light (common practice), hence has the same area; its shadow image is turned by half a turn, as a
    pinhole's is.
    """
    blur = optics.blur_um
    if optics.blades == 0:
        return jinc(math.pi * blur * np.hypot(fx, fy))
    area = math.pi * blur * blur / 4
    corners = -polygon_corners(optics.blades, area, optics.blade_angle_deg)
    return polygon_transform(corners, fx, fy) / area
