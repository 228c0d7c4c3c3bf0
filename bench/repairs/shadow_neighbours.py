"""Shadows that lie close to others: in which order they are fitted, and how the others are taken out first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import FloatArray
from ...detectors.whitening import TILE
from ...generators.cv import cv2
from .shadow_bank import LAST, LOGS, SPACING, Array, Bank

NEAR = 0.75 * TILE
"""Pixels of the shrunken picture within which another shadow lies on a spot's tile, or just beside it."""

Pairs = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Company:
    """Which spots lie near which, and in which turn each is fitted.

    Attributes
    ----------
    near
        For each spot the numbers of those near it.
    turn
        0 for a spot that is the strongest about it, else one more than the last turn of the stronger ones near it,
        integers (m,).
    """

    near: tuple[Pairs, ...]
    turn: Pairs

    @classmethod
    def of(cls, x: Array, y: Array, *, strength: Array, reach_px: float) -> Company:
        """Return the company of spots at places (m,).

        >>> company = Company.of(np.array([0.0, 5, 9, 90]), np.zeros(4), strength=np.array([1.0, 3, 2, 1]), reach_px=6)
        >>> company.turn.tolist(), company.near[1].tolist()
        ([1, 0, 1, 0], [0, 2])
        """
        turn = np.zeros(len(x), dtype=np.intp)
        if len(x) < 2:
            return cls(tuple(np.zeros(0, dtype=np.intp) for _ in x), turn)
        # A tree of all places would cost less from some thousand spots on, and its import more than the fits of many.
        near = tuple(_within(x, y, n, reach_px) for n in range(len(x)))
        done = np.zeros(len(x), dtype=bool)
        for index in np.argsort(-strength, kind="stable").tolist():
            stronger = near[index][done[near[index]]]
            turn[index] = turn[stronger].max() + 1 if len(stronger) else 0
            done[index] = True
        return cls(near, turn)


def _within(x: Array, y: Array, number: int, reach_px: float) -> Pairs:
    """Return the numbers of the other places within reach of one, ascending."""
    near = np.hypot(x - x[number], y - y[number]) <= reach_px
    near[number] = False
    return np.flatnonzero(near)


@dataclass(frozen=True, slots=True)
class Fitted:
    """Shadows that are fitted so far, in pixels of the shrunken picture; those of no size (nan) aren't."""

    x: Array
    y: Array
    log_size: Array

    def take_out(self, log: FloatArray, which: Pairs, *, column: int, row: int, bank: Bank) -> FloatArray:
        """Return log luminance about a pixel, (2 TILE, 2 TILE), with some of the shadows taken out of it."""
        for n in which.tolist():
            if np.isfinite(self.log_size[n]):
                u, v = self.x[n] - (column - TILE), self.y[n] - (row - TILE)
                log = log - shadow_at(float(u), float(v), float(self.log_size[n]), shape=log.shape, bank=bank)
        return log


def shadow_at(x: float, y: float, log_size: float, *, shape: tuple[int, ...], bank: Bank) -> FloatArray:
    """Return ln T of a grain at a place of a picture of that shape, between two of the bank's sizes."""
    at = min(max((log_size - LOGS[0]) / SPACING, 0.0), float(LAST))
    below = min(int(at), LAST - 1)
    total = np.zeros(shape, dtype=np.float32)
    for number, share in ((below, below + 1 - at), (below + 1, at - below)):
        stamp = bank.stamps[number]
        half = len(stamp) // 2
        moved = np.array([[1, 0, x - half], [0, 1, y - half]])
        total += np.float32(share) * cv2.warpAffine(stamp, moved, (shape[1], shape[0]), flags=cv2.INTER_CUBIC)
    return total
