"""Laying shadows on a frame, and saying which pixels a line's shadow covers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np
from numpy.typing import NDArray

from .distractors import Distractor
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
    from .cv import cv2  # here, so that importing a scene costs nothing

    frame, stamp = overlap((linear.shape[0], linear.shape[1]), shadow)
    bands = shadow.transmission[(slice(None), *stamp)].astype(np.float32)
    linear[frame] *= cv2.merge(list(bands))


@contextmanager
def shaded(linear: NDArray[np.float32], casts: Sequence[Cast], hot: Sequence[Distractor]) -> Iterator[None]:
    """Lay shadows and hot photosites on linear light (height, width, 3), in place, and take them off again.

    The clean light comes back to the bit: a copy of a frame of 24 megapixels would cost 288 MB, the patches
    under the shadows cost next to nothing. A hot photosite's dark signal is in units of light.
    """
    kept: list[tuple[tuple[slice, slice], NDArray[np.float32]]] = []

    def keep(frame: tuple[slice, slice]) -> None:
        kept.append((frame, linear[frame].copy()))

    try:
        for each in casts:
            keep(overlap((linear.shape[0], linear.shape[1]), each.shadow)[0])
            shade(linear, each.shadow)
        for thing in hot:
            row, column = max(0, round(thing.y)), max(0, round(thing.x))
            keep((slice(row, row + 1), slice(column, column + 1)))
            thing.draw(linear)
        yield
    finally:
        for frame, patch in reversed(kept):
            linear[frame] = patch


def footprint(casts: Sequence[Cast], shape: tuple[int, int]) -> NDArray[np.int16] | None:
    """Return for each pixel of a frame the index of the line whose shadow has at least half its depth there, or −1.

    None where there is no line at all.
    """
    if not any(placed.particle.kind in LINES for placed, _ in casts):
        return None
    owner = np.full(shape, -1, dtype=np.int16)
    for index, (placed, shadow) in enumerate(casts):
        if placed.particle.kind in LINES:
            frame, stamp = overlap(shape, shadow)
            owner[frame][shadow.depth[stamp] >= shadow.peak_depth / 2] = index
    owner.flags.writeable = False
    return owner
