"""What a survey prints: advice first, then the dust, then what may be said of the rest."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ....detectors.survey import Dust
from ...terminal import wrapped
from .limit import Statement
from .table import Line, counts
from .visible import F_NUMBERS


def advice_lines(found: Sequence[str]) -> list[str]:
    """Return the test frames' faults, or that there are none."""
    if not found:
        return ["the test frames are good ones"]
    return ["to take better test frames:", *(line for each in found for line in wrapped(f"  {each}"))]


def dust_lines(dust: Dust, table: Sequence[Line]) -> list[str]:
    """Return how much lies there, how far before the sensor, and at which apertures it shows."""
    distance = dust.distance
    known = math.isfinite(distance.low_mm)
    told = (
        f"{distance.mm:.2f} mm before the photosites (air-equivalent, {distance.low_mm:.2f}–{distance.high_mm:.2f})"
        if known
        else f"too little to tell the filter's distance, {distance.mm:g} mm is taken: sizes are rough"
    )
    lines = [f"{_grains(len(table))}; {told}"]
    if dust.doubtful:
        lines += wrapped(f"left out as marks of the screen, since the frames disagree: {len(dust.doubtful)}")
    if dust.odd:
        lines += wrapped(
            f"{len(dust.odd)} more places stay but are no round grain (crosses in the picture): fibres, rings, drops "
            "or scratches, a long one perhaps by both ends; look at them"
        )
    if table:
        shown = "   ".join(f"f/{number:g} {count}" for number, count in zip(F_NUMBERS, counts(table), strict=True))
        largest = table[0]
        lines += [
            f"show in a photograph:   {shown}",
            f"the largest: {largest.diameter_um:.0f} µm, {largest.where} as you face the mount",
        ]
    return lines


def _grains(count: int) -> str:
    return f"{count} grain{'' if count == 1 else 's'}"


def clean_lines(table: Sequence[Line], said: Statement, *, odd: int, limit_levels: Sequence[float]) -> list[str]:
    """Return the statement of cleanliness.

    Parameters
    ----------
    odd
        How many places there are that are no grains and may show.
    limit_levels
        Visibility of a grain of the limit's size at each of `F_NUMBERS`.
    """
    if not math.isfinite(said.a90_95_um):
        return wrapped(f"how small a grain would have been found is not known: {said.note or 'too few trials'}")
    lines = wrapped(
        f"no {'other ' if table else ''}grain larger than {said.a90_95_um:.1f} µm on {100 * said.share:.0f} % of the "
        "sensor: laid into frames like these, 9 in 10 of that size are found, with 95 % confidence "
        f"({said.found} found of {said.trials} grains of all sizes, {said.false_per_megapixel:.2g} false a megapixel)"
    )
    if said.note:
        lines += wrapped(f"  {said.note}")
    small = sum(line.diameter_um < said.a90_95_um for line in table)
    if small:
        lines += wrapped(f"of the grains found {small} are smaller than that and may be noise")
    besides = f", beside {odd} places that are no grains" if odd else ""
    return lines + wrapped(_left(counts(table), limit_levels) + besides)


def clear_at(shown: Sequence[int], limit_levels: Sequence[float]) -> list[float]:
    """Return the apertures at which neither a found grain shows nor one that is just too small to be found.

    Parameters
    ----------
    shown
        How many of the found grains show at each of `F_NUMBERS`.
    limit_levels
        As in `clean_lines`.
    """
    return [n for n, count, level in zip(F_NUMBERS, shown, limit_levels, strict=True) if not count and level < 1]


def _left(shown: Sequence[int], limit_levels: Sequence[float]) -> str:
    """Return up to which aperture nothing visible remains, known for what was found and for what was not."""
    clear = clear_at(shown, limit_levels)
    unsure = [n for n, count, level in zip(F_NUMBERS, shown, limit_levels, strict=True) if not count and level >= 1]
    if len(clear) == len(F_NUMBERS):
        return f"nothing visible remains at any aperture down to f/{F_NUMBERS[-1]:g}"
    said = f"at f/{clear[-1]:g} and wider nothing visible remains" if clear else "at every aperture something may show"
    if unsure:
        said += f"; at f/{unsure[-1]:g} none of what was found shows, but a grain too small to be found here might"
    return said
