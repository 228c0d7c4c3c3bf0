"""A roll that shows how many of its photographs have been read."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, overload

from tqdm import tqdm

from ...detectors.contract import Photograph


@contextmanager
def counted(roll: Sequence[Photograph], what: str) -> Iterator[Sequence[Photograph]]:
    """Give a roll whose photographs are counted on a progress bar as they are first asked for."""
    with tqdm(total=len(roll), unit="photo", desc=what, disable=len(roll) < 2, file=sys.stderr) as bar:
        yield _Counted(roll, bar)


class _Counted(Sequence[Photograph]):
    def __init__(self, roll: Sequence[Photograph], bar: Any) -> None:
        self._roll, self._bar = roll, bar
        self._seen: set[int] = set()

    def __len__(self) -> int:
        return len(self._roll)

    @overload
    def __getitem__(self, index: int) -> Photograph: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Photograph]: ...
    def __getitem__(self, index: int | slice) -> Photograph | Sequence[Photograph]:
        if isinstance(index, slice):
            return [self[number] for number in range(*index.indices(len(self)))]
        photograph = self._roll[index]
        if index % len(self) not in self._seen:
            self._seen.add(index % len(self))
            self._bar.update()
        return photograph
