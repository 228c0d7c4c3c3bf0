"""Laying shadows on a frame, and saying which pixels a line's shadow covers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .shadow import Shadow
from .truth import Cast

LINES = ("fibre", "ring", "scratch")
"""Kinds that are found anywhere along their length, not at one place."""


def overlap(shape: tuple[int, int], shadow: Shadow) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Return the frame's and the stamp's slices where the two overlap."""
    halves = (side // 2 for side in shadow.transmission.shape[1:])
    frame, stamp = [], []
    for length, middle, half in zip(shape, (shadow.row, shadow.column), halves, strict=True):
        low, high = max(0, middle - half), min(length, middle + half + 1)
        frame.append(slice(low, high))
        stamp.append(slice(low - middle + half, high - middle + half))
    return (frame[0], frame[1]), (stamp[0], stamp[1])


def shade(linear: NDArray[np.float32], shadow: Shadow) -> None:
    """Multiply linear light (height, width, 3) by a shadow, in place."""
    frame, stamp = overlap((linear.shape[0], linear.shape[1]), shadow)
    linear[frame] *= np.moveaxis(shadow.transmission[(slice(None), *stamp)], 0, -1).astype(np.float32)


def footprint(casts: Sequence[Cast], shape: tuple[int, int]) -> NDArray[np.int16]:
    """Return for each pixel of a frame the index of the line whose shadow has at least half its depth there, or −1."""
    owner = np.full(shape, -1, dtype=np.int16)
    for index, (placed, shadow) in enumerate(casts):
        if placed.particle.kind in LINES:
            frame, stamp = overlap(shape, shadow)
            owner[frame][shadow.depth[stamp] >= shadow.peak_depth / 2] = index
    owner.flags.writeable = False
    return owner
