"""What a result folder lacks: frames of the suite on which a method of its board has no answer."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass

from .store import Store
from .suite import Suite


@dataclass(frozen=True, slots=True)
class Gap:
    """A method without the whole suite.

    Attributes
    ----------
    method, spec
        Its name in tables, and what `--detector` takes.
    missing, frames
        Frames without an answer, of how many.
    untried
        Those of the missing on which it was never put, as opposed to failed.
    cells
        Name, missing and all frames of each cell that lacks any, in the suite's order.
    """

    method: str
    spec: str
    missing: int
    frames: int
    untried: int
    cells: tuple[tuple[str, int, int], ...]


def gaps(store: Store, suite: Suite) -> list[Gap]:
    """Return what each method of a folder's board lacks, nothing for those that lack nothing."""
    cell_of = {scene.digest: _cell(scene.name) for scene in suite.scenes()}
    specs = json.loads(store.note("specs") or "{}")
    found = []
    for method, mark in json.loads(store.note("fingerprints") or "{}").items():
        answered, tried = store.looks_of(mark)
        missing = [scene for scene in cell_of if scene not in answered]
        if missing:
            frames, lacking = Counter(cell_of.values()), Counter(cell_of[scene] for scene in missing)
            cells = tuple((cell, lacking[cell], count) for cell, count in frames.items() if lacking[cell])
            untried = sum(scene not in tried for scene in missing)
            found.append(Gap(method, specs.get(method, method), len(missing), len(cell_of), untried, cells))
    return found


def _cell(scene_name: str) -> str:
    """Return ground and aperture of a scene's name.

    >>> _cell("sky/f11/003")
    'sky f/11'
    """
    ground, aperture, _ = scene_name.rsplit("/", 2)
    return f"{ground} f/{aperture.removeprefix('f')}"
