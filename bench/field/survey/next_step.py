"""What to do next, in plain words, with the usual cautions. Common practice throughout; the camera's maker decides."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

from ...terminal import wrapped
from .compare import Comparison, Fate
from .table import Line
from .visible import F_NUMBERS


class Step(StrEnum):
    """From the gentlest on."""

    NONE = "nothing: leave the sensor alone"
    SHAKE = (
        "the camera's own sensor cleaning, two or three times, the camera standing on its base; then take test frames "
        "again"
    )
    BLOWER = "a blower with the mount facing down, its tip outside the mount; then take test frames again"
    SWAB = (
        "a wet swab of the sensor's width, drawn once across the full width and once back, then a dry one the same "
        "way; then take test frames again"
    )
    DRY = "a dry swab drawn across the full width, for what a wet one left; then take test frames again"
    SERVICE = (
        "stop and ask the maker's service: what neither moves nor shrinks over two cleans may lie under the filter, or "
        "be a scratch"
    )


NAMED = {"shake": Step.SHAKE, "blower": Step.BLOWER, "swab": Step.SWAB, "dry-swab": Step.DRY}
"""What a user may say was done."""

CAUTIONS = (
    "follow the camera maker's instructions, or have it serviced; nobody has to touch a sensor",
    "battery charged, sensor-cleaning mode or mirror locked up; never on B or a long exposure",
    "clean still air, mount open for as short as can be, facing down where possible",
    "no canned gas: it spits liquid and freezes; no breath, no paper, no cotton buds",
    "swab with its own weight and little more, a fresh one for every pass",
    "a stabilised sensor moves: in cleaning mode it is held, never push it",
    "clean the lens's rear element and the mount too, or they give the dust back",
)

TAKEN = 0.5
"""A step that took this share of the visible grains is worth doing again."""

STUBBORN = 0.95
"""A stayed grain whose diameter is above this share of what it was has not shrunk."""

BOTHERS = 11.0
"""Grains that show at f/11 or wider bother in landscapes; what shows later only is better left alone."""


def bothering(table: Sequence[Line]) -> list[Line]:
    """Return the grains that show at `BOTHERS`."""
    column = F_NUMBERS.index(BOTHERS)
    return [line for line in table if line.levels[column] >= 1]


def first_step(table: Sequence[Line]) -> Step:
    """Return what to begin with."""
    return Step.SHAKE if bothering(table) else Step.NONE


def next_step(done: Comparison, *, last: Step | None = None) -> Step:
    """Return what to do after a clean.

    Parameters
    ----------
    last
        What was done between the two surveys; None if unknown, then the gentlest that may help.
    """
    column = F_NUMBERS.index(BOTHERS)
    left = [change for change in done.changes if change.after and change.after.levels[column] >= 1]
    if not left:
        return Step.NONE
    had = [change for change in done.changes if change.before and change.before.levels[column] >= 1]
    went = [change for change in had if change.fate == Fate.WENT]
    stuck = [change for change in left if change.fate == Fate.STAYED]
    if had and len(went) >= TAKEN * len(had) and last != Step.SWAB:
        return last or Step.SHAKE
    if last == Step.SWAB:
        return Step.DRY if len(left) > len(stuck) else Step.SERVICE
    if last == Step.DRY:
        return Step.SERVICE if stuck else Step.BLOWER
    return {None: Step.BLOWER, Step.SHAKE: Step.BLOWER, Step.BLOWER: Step.SWAB}.get(last, Step.SERVICE)


def unmoved(done: Comparison) -> int:
    """Return how many grains neither moved nor shrank."""
    return sum(
        change.after.diameter_um > STUBBORN * change.before.diameter_um
        for change in done.of(Fate.STAYED)
        if change.before and change.after
    )


def step_lines(step: Step) -> list[str]:
    """Return the next step and what to mind."""
    why = f" (nothing shows at f/{BOTHERS:g})" if step == Step.NONE else ""
    lines = wrapped(f"NEXT STEP   {step}{why}")
    if step in (Step.NONE, Step.SERVICE):
        return lines
    return [*lines, "mind:", *(line for each in CAUTIONS for line in wrapped(f"  {each}"))]
