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

WIDE_SAMPLES = 4_000_000
"""From here on a canvas is wide: fields are laid in cuttings as large as their tile, and wide things made coarser."""


def scene_span(shape: Sequence[int]) -> int:
    """Return the width in canvas samples of the scene that clouds, drifts and thickets are sized by."""
    return max(*shape[:2], SMALLEST_SCENE)


def finest_detail(span: float) -> float:
    """Return the shortest wave in samples, of those that belong to a whole scene, that is not lost in its texture.

    Such waves have steep spectra: what is finer than a 375th of the scene has next to none of their contrast.
    """
    return max(2.0, span / 375)


def in_wide(shape: Sequence[int], samples: float, *, else_: float) -> float:
    """Return `samples` for a canvas of `WIDE_SAMPLES` or more, which is looked at from further away, else the other."""
    return samples if shape[0] * shape[1] >= WIDE_SAMPLES else else_


def pick_kind(kind: str, kinds: Sequence[str], rng: np.random.Generator) -> str:
    """Return `kind`; of several with commas between them one by chance, and one of `kinds` if it is ``"mixed"``."""
    among = kinds if kind == "mixed" else _named(kind)
    return among[int(rng.integers(len(among)))] if len(among) > 1 else among[0]


def check_kind(owner: str, kind: str, kinds: Sequence[str]) -> None:
    """Raise a ValueError naming the known kinds unless `kind` is ``"mixed"``, one of them, or several with commas."""
    for name in _named(kind):
        if name == "mixed" and kind != "mixed":
            raise ValueError(f"{owner} knows no kind 'mixed' among others; name it alone")
        if name not in (*kinds, "mixed"):
            raise ValueError(f"{owner} knows no kind {name!r}; known are {', '.join((*kinds, 'mixed'))}")


def _named(kind: str) -> list[str]:
    return [name.strip() for name in kind.split(",")]
