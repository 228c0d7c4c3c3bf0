"""Ways of looking at a roll's photographs for evidence, and the optical one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar, Protocol

from .consensus_frame import GRAINS_UM, SIZES_UM, Look, Maps
from .contract import FloatArray, Photograph

Tell = Callable[[FloatArray, FloatArray], FloatArray]
"""Tells the evidence for each of some sizes at places y, x of a grid, float32 (sizes, m)."""


class Seen(Protocol):
    """One photograph as a way of looking sees it."""

    @property
    def scene(self) -> FloatArray:
        """Thumbnail of what it shows; see `consensus_scene`."""
        ...

    def maps(self) -> Maps:
        """Yield for each proposed size by its index the evidence for it at each place of the grid, (h, w)."""
        ...


class Way(Protocol):
    """A way of looking at the photographs of a roll for evidence.

    Attributes
    ----------
    step
        Pixels of the photograph between places of the grid on which evidence is added up; 0 for a photograph that is
        too small.
    proposed_um
        Grains whose evidence is kept for every place.
    told_um
        Grains that are told apart at the places looked at again.
    """

    @property
    def step(self) -> int: ...  # noqa: D102
    @property
    def proposed_um(self) -> tuple[float, ...]: ...  # noqa: D102
    @property
    def told_um(self) -> tuple[float, ...]: ...  # noqa: D102

    def look(self, photograph: Photograph, index: int) -> Seen:
        """Return a first look at photograph `index` of the roll."""
        ...

    def again(self, roll: Sequence[Photograph], index: int) -> Tell:
        """Return what tells the evidence for each of `told_um` in photograph `index`."""
        ...


@dataclass(frozen=True, slots=True)
class Optically:
    """By the responses to the shadows that each photograph's own aperture would cast."""

    step: int
    proposed_um: ClassVar[tuple[float, ...]] = GRAINS_UM
    told_um: ClassVar[tuple[float, ...]] = SIZES_UM

    def look(self, photograph: Photograph, index: int) -> Look:
        """Return a first look at a photograph."""
        return Look.at(photograph, self.step)

    def again(self, roll: Sequence[Photograph], index: int) -> Tell:
        """Return what looks again, each shadow taken out of its own noise; the photograph is read again."""
        return Look.at(roll[index], self.step).measure
