"""A roll that shows how many of its photographs have been read."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from tqdm import tqdm

from ...detectors.contract import Photograph
from ...detectors.lazy_roll import LazyRoll


@contextmanager
def counted(roll: Sequence[Photograph], what: str) -> Iterator[Sequence[Photograph]]:
    """Give a roll whose photographs are counted on a progress bar as they are first asked for."""
    with tqdm(total=len(roll), unit="photo", desc=what, disable=len(roll) < 2, file=sys.stderr) as bar:
        yield _Counted(roll, bar)


class _Counted(LazyRoll):
    def __init__(self, roll: Sequence[Photograph], bar: Any) -> None:
        self._roll, self._bar = roll, bar
        self._seen: set[int] = set()

    def __len__(self) -> int:
        return len(self._roll)

    def load(self, index: int) -> Photograph:
        photograph = self._roll[index]
        if index not in self._seen:
            self._seen.add(index)
            self._bar.update()
        return photograph
