"""What every background offers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]


@runtime_checkable
class Background(Protocol):
    """A painter of clean scenes.

    A background is a frozen dataclass whose fields are its options (numbers, strings, booleans), so that
    a suite can name them and a scene can be written down.
    """

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3), 1.0 where the sensor saturates.

        The same shape and generator state give the same bits.
        """
        ...


SMALLEST_SCENE = 750
"""A smaller canvas is painted as a cutting from a larger scene, not as a whole scene in small."""


def scene_span(shape: Sequence[int]) -> int:
    """Return the width in canvas samples of the scene that clouds, drifts and thickets are sized by."""
    return max(*shape[:2], SMALLEST_SCENE)


def pick_kind(kind: str, kinds: Sequence[str], rng: np.random.Generator) -> str:
    """Return `kind`, or one of `kinds` by chance if it is ``"mixed"``."""
    return kinds[int(rng.integers(len(kinds)))] if kind == "mixed" else kind


def check_kind(owner: str, kind: str, kinds: Sequence[str]) -> None:
    """Raise a ValueError naming the known kinds unless `kind` is one of them or ``"mixed"``."""
    if kind not in (*kinds, "mixed"):
        raise ValueError(f"{owner} knows no kind {kind!r}; known are {', '.join((*kinds, 'mixed'))}")
