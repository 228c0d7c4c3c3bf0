"""What weakens a roll, in plain sentences for the person who took it."""

from __future__ import annotations

from collections.abc import Sequence

from .consensus_scene import ALIKE, SAME
from .consensus_study import Study

FEW = 8
"""Photographs from which on most of what a roll can tell in scrub is no longer one frame's."""


def notes_on(studied: Study, f_numbers: Sequence[float | None]) -> list[str]:
    """Return a sentence for each thing that weakens a studied roll's evidence, given its f-numbers; none if nothing."""
    repeats = [number for number, alike in enumerate(studied.likeness, start=1) if alike >= SAME]
    still = [number for number, alike in enumerate(studied.likeness, start=1) if ALIKE <= alike < SAME]
    different = len(studied.likeness) - len(repeats)
    notes = []
    if different < FEW:
        notes.append(
            f"{_count(different, 'photograph')} with different scenes {'is' if different == 1 else 'are'} few: "
            f"over rough ground expect little, and take {FEW} to 32"
        )
    if repeats:
        notes.append(
            f"{_list(repeats)} {'repeats' if len(repeats) == 1 else 'repeat'} a scene that was there before and "
            "adds no evidence: from a tripod, what stands still in the scene looks like dust; move the camera"
        )
    if still:
        notes.append(
            f"in {_list(still)} the scene hardly moved since an earlier one: what stands still in it may pass for dust"
        )
    if any(number is None for number in f_numbers):
        notes.append("some files do not tell the f-number, so a wide range is tried: --f-number sets it")
    return notes


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _list(numbers: Sequence[int]) -> str:
    """Return ``photograph 2`` or ``photographs 2, 3 and 5``."""
    if len(numbers) == 1:
        return f"photograph {numbers[0]}"
    return f"photographs {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"
