"""Rolls whose photographs are loaded one by one, when they are asked for."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from typing import overload

from .contract import Photograph


class LazyRoll(Sequence[Photograph]):
    """A roll that loads a photograph each time it is asked for it; a slice loads nothing yet."""

    @abstractmethod
    def load(self, index: int) -> Photograph:
        """Return photograph `index`, 0 to len − 1."""

    @overload
    def __getitem__(self, index: int) -> Photograph: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Photograph]: ...
    def __getitem__(self, index: int | slice) -> Photograph | Sequence[Photograph]:
        if isinstance(index, slice):
            return Part(self, range(len(self))[index])
        return self.load(range(len(self))[index])


class Part(LazyRoll):
    """Some photographs of a roll."""

    def __init__(self, roll: Sequence[Photograph], members: Sequence[int]) -> None:
        self._roll, self._members = roll, members

    def __len__(self) -> int:
        return len(self._members)

    def load(self, index: int) -> Photograph:
        """Return a photograph of the whole roll."""
        return self._roll[self._members[index]]
