"""Evidence added up over the photographs of a roll, place by place on the filter, in memory of a fixed size."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from ..generators.cv import cv2
from .consensus_likelihood import CHANGE
from .contract import FloatArray


class Ledger:
    """Running sums of evidence for each of some sizes of grain.

    For every place and size it holds the evidence of the best run of photographs up to now,
    c ← max(c, −κ) + ℓ (after Page, Biometrika 41 (1954) 100, from memory), κ being the cost `CHANGE` of a grain
    that came late; and for every place the highest value that any of the sums has had, so that a grain that was
    blown off is proposed like one that stayed.
    """

    def __init__(self, shape: tuple[int, int], sizes: int) -> None:
        self.shape = shape
        self.frames = 0
        self._runs = np.zeros((sizes, *shape), dtype=np.float32)
        self._highest = np.full(shape, -np.inf, dtype=np.float32)

    def add(self, maps: Iterable[tuple[int, FloatArray]], magnification: float) -> None:
        """Add one photograph's maps of evidence, index of the size and map (h, w).

        Parameters
        ----------
        magnification
            Of the photograph's shadows about the middle of the frame, relative to the ledger's.
        """
        for index, map_ in maps:
            run = self._runs[index]
            if self.frames:
                np.maximum(run, np.float32(-CHANGE), out=run)
            run += placed(map_, magnification)
            np.maximum(self._highest, run, out=self._highest)
        self.frames += 1

    def evidence(self) -> FloatArray:
        """Return the evidence for a grain of any size, there to the end or gone before, (h, w)."""
        return np.asarray(np.maximum(self._runs.max(axis=0), self._highest - np.float32(CHANGE)), dtype=np.float32)

    def sizes(self, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[np.intp]:
        """Return the index of the size that fits best at places."""
        return np.asarray(self._runs[:, rows, columns].argmax(axis=0))


def placed(map_: FloatArray, magnification: float) -> FloatArray:
    """Return a map shrunk about its middle by a magnification, zero where it says nothing."""
    if magnification == 1:
        return map_
    height, width = map_.shape
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    shift = middle * (1 - magnification)
    matrix = np.array([[magnification, 0, shift[0]], [0, magnification, shift[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(map_, matrix, (width, height), flags=flags), dtype=np.float32)
