"""Joints: the cracks that run through rock side by side, jagged, wide in the middle and closed at their ends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .base import FloatArray, scene_span
from .raster import blur, reduced, shifted

STEP = 5.0
"""Samples from one bend of a crack to the next."""

SWING_RAD, TREND_RAD = 0.45, 0.12
"""Standard deviation of a crack's direction from one bend to the next, and of its slow turning."""

FORKS = 0.3
"""Share of cracks that send out a branch."""

SHIFT = 4
"""Binary places of the corners that OpenCV is given."""

GROOVE = 1.8
"""Standard deviation of a weathered crack's flanks, samples."""

BLOCK_STEP = 4
"""How many times coarser the grid is on which blocks are raised: what a crack hides needs no more."""

RAISED = 12
"""Steps in which a block rises along its crack."""

BLOCK_REACH = 48.0
"""Samples from a crack over which a block sinks back to the level of the face."""


class Cracks(NamedTuple):
    """What joints do to a face.

    Attributes
    ----------
    cover
        The share of every sample that lies in a crack, uint8 (height, width), 255 for all.
    block
        How far the block on one side of a crack stands out, 0…1, on a grid `BLOCK_STEP` times coarser: at once
        at the crack, sinking back over `BLOCK_REACH`.
    """

    cover: NDArray[np.uint8]
    block: FloatArray

    def blocks(self, sun_deg: float) -> tuple[FloatArray, FloatArray]:
        """Return how far blocks stand out and how much sun they leave, 0…1, on the coarse grid."""
        towards = np.radians(sun_deg)
        taller = sum(
            np.maximum(shifted(self.block, reach * np.cos(towards), -reach * np.sin(towards)) - self.block, 0)
            for reach in (1.0, 2.0)
        )
        sunlit = 1 - 0.75 * np.minimum(1.3 * np.asarray(taller, dtype=np.float32), 1)
        return self.block, np.asarray(sunlit, dtype=np.float32)

    def open_rock(self, rows: slice) -> FloatArray:
        """Return the light that cracks leave in some rows, 0.15…1."""
        return np.float32(1) - np.float32(0.85 / 255) * self.cover[rows]

    def grooves(self) -> FloatArray:
        """Return how deep the edges of cracks have weathered, 0…1, on a grid of step 2."""
        return blur(reduced(self.cover, 2), 0.5 * GROOVE) * np.float32(1 / 255)


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

    def paths(
        self, shape: tuple[int, int], rng: np.random.Generator
    ) -> Iterator[tuple[NDArray[np.float64], list[NDArray[np.int32]]]]:
        """Yield the middle line (n, 2) of every crack in a canvas of `shape`, and the outlines of it and its branch."""
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
            yield path, cracks


def cracked(shape: tuple[int, int], sets: Sequence[Joints], rng: np.random.Generator) -> Cracks:
    """Return what sets of joints do to a canvas of `shape`."""
    import cv2

    covered = np.zeros(shape, dtype=np.uint8)
    raised = np.zeros([-(-side // BLOCK_STEP) for side in shape], dtype=np.uint8)
    line = np.full_like(raised, 255)
    for joints in sets:
        for path, outlines in joints.paths(shape, rng):
            for corners in outlines:
                cv2.fillPoly(covered, [corners], 255, lineType=cv2.LINE_AA, shift=SHIFT)
            _raise(raised, line, path, BLOCK_REACH * rng.choice((-1, 1)))
    distance = np.asarray(cv2.distanceTransform(line, cv2.DIST_L2, cv2.DIST_MASK_5), dtype=np.float32)
    near = np.maximum(1 - distance * np.float32(BLOCK_STEP / BLOCK_REACH), 0)
    block = cv2.GaussianBlur(raised * near * near * np.float32(1 / 255), (0, 0), 0.7)
    return Cracks(covered, np.asarray(block, dtype=np.float32))


def _raise(raised: NDArray[np.uint8], line: NDArray[np.uint8], path: NDArray[np.float64], reach: float) -> None:
    """Mark a crack on the coarse grid, 0 in `line`, and how far it is thrown up along one side, most in its middle."""
    import cv2

    knots = path[:: max(1, round(2 * BLOCK_STEP / STEP))]
    run = np.gradient(knots, axis=0)
    normal = np.column_stack((-run[:, 1], run[:, 0])) / np.hypot(run[:, 0], run[:, 1])[:, None]
    inner, outer = (
        np.rint(((side - 0.5) / BLOCK_STEP) * (1 << SHIFT)).astype(np.int32) for side in (knots, knots + reach * normal)
    )
    cv2.polylines(line, [inner], False, 0, shift=SHIFT)
    along = (np.arange(len(knots) - 1) + 0.5) / (len(knots) - 1)
    height = np.rint(RAISED * np.sin(np.pi * along)).astype(int)
    starts = np.flatnonzero(np.diff(height, prepend=-1))  # where an outline crosses itself a speck stays low
    for first, last in zip(starts, (*starts[1:], len(height)), strict=True):
        corners = np.concatenate((inner[first : last + 1], outer[first : last + 1][::-1]))
        cv2.fillPoly(raised, [corners], 255 * height[first] / RAISED, shift=SHIFT)


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
