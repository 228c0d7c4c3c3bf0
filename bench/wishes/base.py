"""What a wish answers.

A wish is a frozen dataclass with a word (`aim`), the head of its column (`unit`), `sentence` (what is asked), `pick`
(a threshold, from calibration frames of different blocks), `trial` (how that does on frames that did not choose it)
and `trusts` (whether finds and their absence may be relied upon).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

SURPRISE = 0.01
"""Held-out frames break a promise where what they show would be this unlikely if it held."""

TRUSTED_RECALL = 0.5
"""A cell in which a method finds less than half of what can be seen is not to be trusted to it."""

FEW_BLOCKS = 10
"""With fewer frames the intervals of a mean are much too short, see `interval.bca`."""


def too_few(blocks: int) -> str:
    """Return why so many independent held-out frames vouch for no mean, or ""."""
    if blocks >= FEW_BLOCKS:
        return ""
    return f"a mean wants {FEW_BLOCKS} independent held-out frames to vouch for it, there are {blocks}"


@dataclass(frozen=True, slots=True)
class Pick:
    """A threshold from calibration frames.

    Attributes
    ----------
    threshold
        A candidate is taken when its score is greater. +inf takes none.
    guaranteed
        Whether the frames were enough for the promise.
    note
        Why not, or "".
    """

    threshold: float
    guaranteed: bool
    note: str = ""


@dataclass(frozen=True, slots=True)
class Trial:
    """The wish's own number on held-out frames.

    Attributes
    ----------
    value, low, high
        With its 95 % interval; nan is unknown.
    untouched
        The number where nothing is taken, nan where that says nothing.
    broken
        What shows that the promise does not hold there, or "".
    """

    value: float
    low: float
    high: float
    untouched: float = math.nan
    broken: str = ""


@dataclass(frozen=True, slots=True)
class Counts:
    """Held-out frames at a threshold, summed: hits, false alarms, visible shadows."""

    hits: int
    false_alarms: int
    counted: int

    @property
    def recall(self) -> float:
        """Share of the visible shadows that are found, nan without any."""
        return self.hits / self.counted if self.counted else math.nan

    @property
    def precision(self) -> float:
        """Share of the finds that are shadows, nan without any."""
        found = self.hits + self.false_alarms
        return self.hits / found if found else math.nan
