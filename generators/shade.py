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
    height, width = shadow.transmission.shape[1:]
    top, left = shadow.row - height // 2, shadow.column - width // 2
    first_row, end_row = max(0, top), min(shape[0], top + height)
    first_column, end_column = max(0, left), min(shape[1], left + width)
    frame = slice(first_row, end_row), slice(first_column, end_column)
    stamp = slice(first_row - top, end_row - top), slice(first_column - left, end_column - left)
    return frame, stamp


def shade(linear: NDArray[np.float32], shadow: Shadow) -> None:
    """Multiply linear light (height, width, 3) by a shadow, in place."""
    frame, stamp = overlap((linear.shape[0], linear.shape[1]), shadow)
    patch = linear[frame]
    np.multiply(patch, shadow.light()[stamp], out=patch)  # linear[frame] *= … would copy the patch onto itself


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
