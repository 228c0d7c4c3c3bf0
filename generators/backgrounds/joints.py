"""Joints: the cracks that run through rock side by side, jagged, wide in the middle and closed at their ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray, scene_span

STEP = 5.0
"""Samples from one bend of a crack to the next."""

SWING_RAD, TREND_RAD = 0.45, 0.12
"""Standard deviation of a crack's direction from one bend to the next, and of its slow turning."""

FORKS = 0.3
"""Share of cracks that send out a branch."""

SHIFT = 4
"""Binary places of the corners that OpenCV is given."""


@dataclass(frozen=True, slots=True)
class Joints:
    """A set of cracks with one direction.

    Attributes
    ----------
    angle_deg
        Their direction, counter-clockwise from the x axis.
    spacing
        Mean distance from one crack to the next, samples.
    width
        Typical opening of the widest place of a crack, samples; few are wide, many narrow. The drawing adds
        about one sample: hair cracks are one wide.
    """

    angle_deg: float
    spacing: float
    width: float

    def draw(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return the share of every sample that lies in a crack, float32 (height, width)."""
        import cv2

        covered = np.zeros(shape, dtype=np.uint8)
        length = 0.22 * scene_span(shape)
        for _ in range(int(rng.poisson(shape[0] * shape[1] / (self.spacing * length)))):
            start = np.array((rng.uniform(0, shape[1]), rng.uniform(0, shape[0])))
            path = _path(start, np.radians(-self.angle_deg), length * rng.uniform(0.25, 1.75), rng)
            opening = self.width * float(np.exp(rng.normal(-0.35, 0.6)))
            cracks = [_crack(path, opening, rng)]
            if rng.random() < FORKS:
                turn = rng.choice((-1, 1)) * rng.uniform(0.4, 1.1)
                fork = _path(start, np.radians(-self.angle_deg) + turn, length * rng.random(), rng)
                cracks.append(_crack(fork[len(fork) // 2 :], 0.5 * opening, rng))
            for corners in cracks:
                cv2.fillPoly(covered, [corners], 255, lineType=cv2.LINE_AA, shift=SHIFT)
        return covered * np.float32(1 / 255)


def _path(start: NDArray[np.float64], heading: float, length: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return points (n, 2) along a crack, at least four, `start` near the middle."""
    count = max(4, round(length / STEP))
    trend = np.cumsum(rng.normal(0, TREND_RAD, count)) / np.sqrt(1 + np.arange(count) / 8)
    turned = heading + trend + rng.normal(0, SWING_RAD, count)
    points = np.cumsum(STEP * np.column_stack((np.cos(turned), np.sin(turned))), axis=0)
    return np.asarray(points - points[count // 2] + start)


def _crack(path: NDArray[np.float64], width: float, rng: np.random.Generator) -> NDArray[np.int32]:
    """Return the outline of a crack that gapes unevenly and tapers to nothing at both ends."""
    along = np.linspace(0, 1, len(path))
    half = 0.5 * width * np.sin(np.pi * along) * np.exp(rng.normal(-0.1, 0.45, len(path)))
    run = np.gradient(path, axis=0)
    normal = np.column_stack((-run[:, 1], run[:, 0])) / np.hypot(run[:, 0], run[:, 1])[:, None]
    sides = np.concatenate((path + half[:, None] * normal, (path - half[:, None] * normal)[::-1]))
    return np.rint(sides * (1 << SHIFT)).astype(np.int32)
