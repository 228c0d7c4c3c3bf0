"""Memory for frames, used again.

A system hands out fresh pages filled with zeros, which for a large frame takes a seventh of the time of a painting.
What the last frame lay in is used for the next one, once nobody holds an array in it any more. So much stays with a
process that has painted: one frame of the last size.
"""

from __future__ import annotations

import weakref

import numpy as np

from .base import FloatArray

_spare: list[FloatArray] = []
"""At most one piece of memory that nobody holds."""


class _Lease:
    """Stands between memory and the arrays in it, all of which keep it alive."""

    def __init__(self, memory: FloatArray) -> None:
        self.__array_interface__ = memory.__array_interface__


def empty(shape: tuple[int, ...]) -> FloatArray:
    """Return an array of `shape`, float32, of any content."""
    try:
        memory = _spare.pop()  # one step, so that two threads never get the same
    except IndexError:
        memory = None
    if memory is None or memory.shape != shape:
        memory = np.empty(shape, dtype=np.float32)
    lease = _Lease(memory)
    weakref.finalize(lease, _keep, memory).atexit = False
    return np.asarray(lease)


def _keep(memory: FloatArray) -> None:
    _spare[:] = [memory]
