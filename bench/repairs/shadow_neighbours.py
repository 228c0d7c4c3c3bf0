"""Shadows that lie close to others: in which order they are fitted, and how the others are taken out first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import FloatArray
from ...detectors.whitening import TILE
from ...generators.cv import cv2
from .shadow_bank import LAST, LOGS, SPACING, Array, Bank
from .surroundings import mirrored

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
    """Shadows that are fitted so far, in pixels of the shrunken picture; those of no size (nan) aren't.

    `own_size` is ln size too, of all that were looked at, whether they are held for shadows or not.
    """

    x: Array
    y: Array
    log_size: Array
    own_size: Array

    def unmirrored(
        self, log: FloatArray, number: int, place: tuple[int, int], *, sides: tuple[int, int], bank: Bank
    ) -> FloatArray:
        """Return log luminance about a pixel, (2 TILE, 2 TILE), where a shadow runs on beyond the frame's borders.

        Beyond them stands the mirror image of what lies within; of that the shadow's image is taken out, and the
        shadow's own part put in.

        Parameters
        ----------
        place
            Column and row of that pixel.
        sides
            Height and width of the shrunken picture.
        """
        if not np.isfinite(self.own_size[number]):
            return log
        column, row = place
        u, v = self.x[number] - (column - TILE), self.y[number] - (row - TILE)
        shadow = shadow_at(float(u), float(v), float(self.own_size[number]), shape=log.shape, bank=bank)
        lines = (np.arange(at - TILE, at + TILE) for at in (row, column))
        rows, columns = (
            np.clip(mirrored(line, side) - line[0], 0, 2 * TILE - 1) for line, side in zip(lines, sides, strict=True)
        )
        return np.asarray(log - shadow[rows[:, None], columns] + shadow)

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
