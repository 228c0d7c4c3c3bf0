"""The answer of a run in two sentences, with the numbers that they are made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from itertools import chain, repeat

import numpy as np

from .cells import Table, where
from .choice import CellChoice, Choice, halves
from .interval import Interval
from .sweep import measure

_ROLL = "use the roll (moteyard find PHOTO… --roll)"


@dataclass(frozen=True, slots=True)
class CellAnswer:
    """What may be said of one ground at one aperture.

    Attributes
    ----------
    cell
        The threshold of the chosen method, and whether it is to be trusted.
    recall, false_alarms_per_frame
        On the frames that did not choose the threshold, with 95 % intervals.
    others
        Methods that may be trusted here at their own thresholds where the chosen one may not.
    """

    cell: CellChoice
    recall: Interval
    false_alarms_per_frame: Interval
    others: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """Cells in the order of the choice, and two sentences: what to use, and where not to."""

    choice: Choice
    cells: tuple[CellAnswer, ...]
    use: str
    beware: str


def answer(table: Table, choice: Choice, others: Mapping[str, Sequence[CellChoice]]) -> Answer:
    """Return the answer of a choice.

    Parameters
    ----------
    others
        The cells of every method, chosen by the same wish, in the choice's order.
    """
    cells = tuple(
        _cell(table, choice, cell, tuple(name for name, rows in others.items() if rows[number].trusted))
        for number, cell in enumerate(choice.cells)
    )
    return Answer(choice, cells, _use(choice, cells), _beware(cells))


def _cell(table: Table, choice: Choice, cell: CellChoice, trusted: tuple[str, ...]) -> CellAnswer:
    records = where(table, ground=cell.ground, f_number=cell.f_number)[choice.method]
    _, held_out = halves(records)
    if not held_out:
        nothing = Interval(float("nan"), float("nan"), float("nan"))
        return CellAnswer(cell, nothing, nothing, ())
    seen = measure(held_out, np.array([cell.threshold]))
    recall, false = (
        Interval(float(rate.estimate[0]), float(rate.low[0]), float(rate.high[0]))
        for rate in (seen.recall, seen.false_alarms_per_frame)
    )
    return CellAnswer(cell, recall, false, () if cell.trusted else trusted)


def promise(choice: Choice) -> str:
    """Return what the thresholds promise, as part of a sentence."""
    return choice.wish.sentence(choice.frame_megapixels)


def percent(value: Interval) -> str:
    """Return a share with its interval.

    >>> percent(Interval(0.926, 0.9, 0.949)), percent(Interval(0.5, float("nan"), float("nan")))
    ('93 % [90–95]', '50 %')
    """
    if np.isnan(value.estimate):
        return "–"
    text = f"{100 * value.estimate:.0f} %"
    return text if np.isnan(value.low) else f"{text} [{100 * value.low:.0f}–{100 * value.high:.0f}]"


def _use(choice: Choice, cells: Sequence[CellAnswer]) -> str:
    good = [one for one in cells if one.cell.trusted]
    if good:
        parts = _finds(good, {one.cell.f_number for one in cells})
        where_ = "; ".join(parts) if len(good) > NAMED else _joined(parts)
        return f"Use {choice.method} {where_}: {promise(choice)}."
    short = [one.cell for one in cells if not one.cell.guaranteed]
    strongest = f"{choice.method} is the strongest over all grounds"
    if len(short) == len(cells):
        return f"{strongest}, but this run can't vouch for any threshold ({_once(short)})."
    return f"{strongest}, but nowhere does it find enough of the visible shadows at {promise(choice)}."


def _once(cells: Sequence[CellChoice]) -> str:
    return next((cell.note.removeprefix("no guarantee: ") for cell in cells if cell.note), "too few frames")


NAMED = 4
"""More cells than these are not named one by one: the table beside the sentence has them."""


def _finds(good: Sequence[CellAnswer], apertures: AbstractSet[float]) -> list[str]:
    """Return a part a ground: at which aperture above which score it finds how much."""
    grounds: dict[str, list[CellAnswer]] = {}
    for one in good:
        grounds.setdefault(one.cell.ground, []).append(one)
    if len(good) <= NAMED:
        return [f"in {ground} {_each(cells)}" for ground, cells in grounds.items()]
    units = chain([" of visible spots"], repeat(""))  # said once
    return [f"in {ground} {_range(cells, apertures, next(units))}" for ground, cells in grounds.items()]


def _each(cells: Sequence[CellAnswer]) -> str:
    return _joined(
        [f"at f/{c.cell.f_number:g} above {c.cell.threshold:.3g} ({percent(c.recall)} of visible spots)" for c in cells]
    )


def _range(cells: Sequence[CellAnswer], apertures: AbstractSet[float], unit: str) -> str:
    shares = sorted(
        {f"{100 * one.recall.estimate:.0f}": one.recall.estimate for one in cells}.items(), key=lambda p: p[1]
    )
    found = " to ".join(dict.fromkeys([shares[0][0], shares[-1][0]]))
    return f"{_at([one.cell.f_number for one in cells], apertures)} ({found} %{unit})"


def _at(f_numbers: Sequence[float], apertures: AbstractSet[float]) -> str:
    """Return f-numbers in words, three and more neighbours by their ends.

    >>> _at([8.0, 11.0, 16.0], {8.0, 11.0, 16.0, 22.0}), _at([8.0, 22.0], {8.0, 11.0, 22.0}), _at([8.0], {8.0})
    ('from f/8 to f/16', 'at f/8 and f/22', 'at f/8')
    """
    if len(apertures) > 1 and set(f_numbers) == apertures:
        return "at any aperture"
    between = {f for f in apertures if min(f_numbers) <= f <= max(f_numbers)}
    if len(f_numbers) > 2 and set(f_numbers) == between:
        return f"from f/{min(f_numbers):g} to f/{max(f_numbers):g}"
    return f"at {_joined([f'f/{f:g}' for f in f_numbers])}"


def _beware(cells: Sequence[CellAnswer]) -> str:
    doubted = [one for one in cells if not one.cell.trusted]
    if not doubted:
        return "On every ground and aperture here the promise held on frames that did not choose the threshold."
    if all(not one.cell.guaranteed for one in cells):
        return "Run a larger suite (moteyard rank standard) before trusting any single photograph; or use the roll."
    apertures = {one.cell.f_number for one in cells}
    helped = [one for one in doubted if one.others]
    none = [one for one in doubted if not one.others]
    parts = []
    if helped:
        names = sorted({name for one in helped for name in one.others})
        parts.append(f"{_where(helped, apertures)} only {_joined(names)} may be trusted, at a threshold of its own")
    if none:
        place = _where(none, apertures)
        parts.append(f"{place} trust no method that looks at one photograph: {_ROLL}")
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] + "."


def _where(cells: Sequence[CellAnswer], apertures: AbstractSet[float]) -> str:
    """Return grounds with their apertures; those with every aperture come first and name none."""
    grounds: dict[str, list[float]] = {}
    for one in cells:
        grounds.setdefault(one.cell.ground, []).append(one.cell.f_number)
    whole = [ground for ground, f_numbers in grounds.items() if set(f_numbers) == apertures and len(apertures) > 1]
    parts = [f"in {_joined(whole)} at any aperture"] if whole else []
    for ground, f_numbers in grounds.items():
        if ground not in whole:
            parts.append(f"in {ground} {_at(f_numbers, apertures)}")
    return _joined(parts)


def _joined(parts: Sequence[str]) -> str:
    """Return parts as a list in a sentence.

    >>> _joined(["sky"]), _joined(["sky", "snow", "rock"])
    ('sky', 'sky, snow and rock')
    """
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]


def reason(cell: CellChoice) -> str:
    """Return why a threshold is not to be trusted, "" where it is."""
    if cell.trusted:
        return ""
    few = f"only {100 * cell.recall:.0f} %" if cell.recall >= 0.005 else "next to none"
    return cell.note or f"it finds {few} of the visible shadows"
