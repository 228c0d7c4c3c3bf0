"""Whether frames that were rendered again are those of a baseline."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..generators.scene import Scene, render
from .baseline import Baseline
from .errors import YardError
from .frame_look import alike, look
from .provenance import library_versions, machine
from .store import FrameRow


def here() -> str:
    """Return what pixels depend on besides the recipe: libraries and machine."""
    return f"{library_versions()}; {machine()}"


def check_recipes(recipes: Sequence[str], folder: Path) -> None:
    """Stop where a baseline's recipes can't be read.

    Raises
    ------
    YardError
        If they are of another version.
    """
    try:
        for recipe in recipes:
            Scene.from_json(recipe)
    except (ValueError, KeyError, TypeError) as error:
        raise YardError(f"{folder} holds recipes of another version ({error}); {_REMAKE}") from error


def check_frames(baseline: Baseline, rows: Sequence[FrameRow], folder: Path) -> str:
    """Stop where frames are not the baseline's: scores on others say nothing. Returns what to know, or "".

    Where libraries or machine are not the baseline's, a frame may differ by rounding and is known by its look.

    Raises
    ------
    YardError
        If pixels or the number of shadows to find differ.
    """
    pairs = enumerate(zip(baseline.frames, rows, strict=True))
    changed = [number for number, (mark, row) in pairs if mark.pixels != row.pixels]
    rounded = [] if baseline.versions == here() else [n for n in changed if _is_known(rows[n], baseline.looks[n])]
    other = [baseline.frames[number].name for number in changed if number not in rounded]
    if other:
        raise YardError(
            f"{len(other)} of {len(rows)} frames of {folder} render to other pixels than they did, {other[0]} first: "
            f"{_cause(baseline)}; {_REMAKE}"
        )
    other = [mark.name for mark, row in zip(baseline.frames, rows, strict=True) if mark.counted != row.counted]
    if other:
        raise YardError(f"{len(other)} frames of {folder} have other shadows to find, {other[0]} first; {_REMAKE}")
    if not rounded:
        return ""
    return (
        f"{len(rounded)} of {len(rows)} frames differ from the baseline's by rounding: they look the same, but it was "
        f"made with {baseline.versions}"
    )


def _is_known(row: FrameRow, before: NDArray[np.float16]) -> bool:
    return alike(look(render(Scene.from_json(row.recipe)).pixels), before)


def _cause(baseline: Baseline) -> str:
    if baseline.versions == here():
        return "the generators have changed"
    return f"the generators have changed, or it is that the baseline was made with {baseline.versions}"


_REMAKE = "make a new baseline from the last version you trust with: moteyard guard --make"
