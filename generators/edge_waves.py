"""The light that the edges of a narrow band throw far aside, by rays: what a coarse grid can't hold.

A grid of pitch δ holds spatial frequencies g up to 1/(2δ), thus light thrown up to λd/(2δ) aside. Beyond, each edge
is a line of light of amplitude √(λd)/(2πx) at a distance x along its normal (stationary phase; Keller, J. Opt. Soc.
Am. 52, 116, 1962, from memory), and the two edges of a band interfere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_FLAT = 0.5
"""Share of the grid's highest frequency up to which its window is 1."""

_FURTHEST = 18.0
"""Reach of rays in units of √(λd): there a straight band throws 3e-4 of the light that falls on it."""

_ALONG_UM = 6.0
"""Step between rays along the band."""

_ACROSS_END, _END_STEPS = 1.3, 8
"""Half width of what an end throws, in units of λd/width, and its steps."""


def window(frequency: FloatArray, top: float) -> FloatArray:
    """Return what a grid that ends at the frequency `top` is given of the field: 1, falling to 0 at `top`."""
    return np.asarray(np.cos(np.clip((np.abs(frequency) / top - _FLAT) / (1 - _FLAT), 0, 1) * (math.pi / 2)) ** 2)


@dataclass(frozen=True, slots=True)
class Thrower:
    """What throws light, and how far it is looked at.

    Attributes
    ----------
    width_um
        Width of the band.
    drifts_um2
        λd for each passband.
    top
        Where the grid's window ends, in cycles/µm.
    step_um
        Between points along a ray, a small part of the beat λd/width of the two edges' light.
    """

    width_um: float
    drifts_um2: FloatArray
    top: float
    step_um: float

    def reach_um(self) -> FloatArray:
        """Return distances along a ray, to both sides, from where the window begins to fall."""
        first = max(_FLAT * self.top * float(self.drifts_um2.min()) - self.width_um / 2, 0.6 * self.width_um)
        last = _FURTHEST * math.sqrt(float(self.drifts_um2.max()))
        reach = np.arange(first + self.step_um / 2, last, self.step_um)
        return np.concatenate([-reach[::-1], reach])


def thrown(centreline: FloatArray, thrower: Thrower) -> tuple[FloatArray, FloatArray]:
    """Return the part of ∫|F[A]|² that `window` takes from a band's field, as points of light.

    Parameters
    ----------
    centreline
        (n, 2) in µm.

    Returns
    -------
    Where it lands, (m, 2) in µm, and how much, (passbands, m) in µm²: light of a plane wave of 1 times area.
    """
    parts = [_from_sides(centreline, thrower)]
    parts += [_from_end(tip[0], tip[0] - tip[1], thrower) for tip in (centreline[:2], centreline[:-3:-1])]
    return np.concatenate([points for points, _ in parts]), np.concatenate([light for _, light in parts], axis=1)


def _from_sides(centreline: FloatArray, thrower: Thrower) -> tuple[FloatArray, FloatArray]:
    """Return what the long edges throw: |a₁e₁ − a₂e₂|² less the same of what the window lets through.

    On a bend the outer edge is longer than the inner one by width times curvature.
    """
    middle, heading, curvature, step = _walk(centreline, _ALONG_UM)
    reach, half = thrower.reach_um(), thrower.width_um / 2
    normal = np.column_stack([-np.sin(heading), np.cos(heading)])
    points = middle[:, None] + reach[:, None] * normal[:, None]
    near = np.sqrt(np.maximum(1 - curvature * half, 0))[:, None] / (reach - half)
    far = np.sqrt(np.maximum(1 + curvature * half, 0))[:, None] / (reach + half)
    area = step * thrower.step_um / (4 * math.pi**2)
    light = []
    for drift in thrower.drifts_um2:
        beat = 4 * np.sin(math.pi * thrower.width_um / drift * reach) ** 2
        kept_near, kept_far = (window((reach + side) / drift, thrower.top) for side in (-half, half))
        through_near, through_far = near * kept_near, far * kept_far
        lost = (near - far) ** 2 - (through_near - through_far) ** 2
        lost += (near * far - through_near * through_far) * beat
        light.append(drift * area * lost.ravel())
    return points.reshape(-1, 2), np.stack(light)


def _from_end(tip: FloatArray, outward: FloatArray, thrower: Thrower) -> tuple[FloatArray, FloatArray]:
    """Return what a square end throws forth and back, spread sideways as a slit of that width spreads it."""
    along = outward / np.hypot(*outward)
    reach = thrower.reach_um()
    spread = _ACROSS_END * float(thrower.drifts_um2.max()) / thrower.width_um
    aside = np.linspace(-spread, spread, 2 * _END_STEPS + 1)
    points = tip + reach[:, None, None] * along + aside[:, None] * np.array([-along[1], along[0]])
    distance = np.hypot(reach[:, None], aside)
    area = thrower.step_um * (aside[1] - aside[0])
    light = [
        area
        * (thrower.width_um / (2 * math.pi * reach[:, None]) * np.sinc(thrower.width_um / drift * aside)) ** 2
        * (1 - window(distance / drift, thrower.top) ** 2)
        for drift in thrower.drifts_um2
    ]
    return points.reshape(-1, 2), np.stack(light).reshape(len(light), -1)


def _walk(line: FloatArray, step_um: float) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return points in the middle of equal steps along a line, its heading and curvature there, and the step."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    count = max(2, math.ceil(length[-1] / step_um))
    step = float(length[-1]) / count
    place = (np.arange(count) + 0.5) * step
    heading = np.unwrap(np.arctan2(*np.gradient(line, length, axis=0).T[::-1]))
    middle = np.column_stack([np.interp(place, length, side) for side in line.T])
    return middle, np.interp(place, length, heading), np.interp(place, length, np.gradient(heading, length)), step
