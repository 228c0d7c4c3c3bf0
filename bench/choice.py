"""Thresholds chosen for a detector, cell by cell, and the record of what was promised and seen.

A cell is one ground at one f-number: a method may be trusted in snow at f/22 and not at f/8.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from .cells import Record, Table, f_numbers, grounds, where
from .errors import YardError
from .whole_file import whole_file
from .wishes import AnyWish, Wish, as_plain, from_plain
from .wishes.base import Counts
from .wishes.counting import taken

FORMATS = (3, 4)
"""Versions of the file that `read_choice` reads; `write_choice` writes the last. 3 knew one kind of wish."""


@dataclass(frozen=True, slots=True)
class CellChoice:
    """The threshold on one ground at one f-number.

    Attributes
    ----------
    ground, f_number
        Its label, and the aperture as marked.
    threshold
        A candidate is taken when its score is greater. +inf takes none.
    guaranteed
        Whether the calibration frames were enough for the promise; never for costs, which come without one.
    note
        What to know about it, one sentence, or "".
    calibration_frames, held_out_frames
        How many frames each half had.
    over
        Held-out frames with more false alarms than the wish allows, 0 where it allows any number.
    false_alarms_per_frame, recall, precision
        On the held-out half, at the threshold. nan is 0/0.
    texture_low, texture_high
        5th and 95th percentile of the frames' texture, natural-log units: by it a photograph finds its ground.
    trusted
        Whether finds and their absence may be relied upon, by the rule of the wish.
    measured, measured_low, measured_high
        The wish's own number on the held-out half with its 95 % interval.
    untouched
        That number where nothing is taken, nan where that says nothing.
    """

    ground: str
    f_number: float
    threshold: float
    guaranteed: bool
    note: str
    calibration_frames: int
    held_out_frames: int
    over: int
    false_alarms_per_frame: float
    recall: float
    precision: float
    texture_low: float
    texture_high: float
    trusted: bool
    measured: float = math.nan
    measured_low: float = math.nan
    measured_high: float = math.nan
    untouched: float = math.nan


@dataclass(frozen=True, slots=True)
class Choice:
    """A detector with its thresholds, as `find` reads it.

    Attributes
    ----------
    detector, method
        What the registry loads, and the name under which it was judged.
    fingerprint
        The code that was judged.
    suite, frame_megapixels
        What it was judged on.
    wish
        What was asked.
    cells
        Grounds from the smoothest, each from its widest aperture.
    """

    detector: str
    method: str
    fingerprint: str
    suite: str
    frame_megapixels: float
    wish: AnyWish
    cells: tuple[CellChoice, ...]


def halves(records: Sequence[Record]) -> tuple[list[Record], list[Record]]:
    """Split frames into calibration and held-out by block, in an order drawn from the blocks' names.

    A block is never cut: frames of one source in both halves would vouch for themselves. One frame a block
    calibrates, since the guarantee wants independent frames.
    """
    blocks: dict[str, list[Record]] = {}
    for record in records:
        blocks.setdefault(record.frame.block, []).append(record)
    order = sorted(blocks, key=lambda block: hashlib.sha256(block.encode()).digest())
    middle = len(order) // 2
    calibration = [blocks[block][0] for block in order[:middle]]
    return calibration, [record for block in order[middle:] for record in blocks[block]]


def choose(table: Table, method: str, wish: AnyWish) -> tuple[CellChoice, ...]:
    """Return a threshold per cell, chosen on one half of its frames and tried on the other."""
    return tuple(
        _choose(where(table, ground=ground, f_number=f_number)[method], wish)
        for ground in grounds(table)
        for f_number in f_numbers(table)
    )


def _choose(records: Sequence[Record], wish: AnyWish) -> CellChoice:
    calibration, held_out = halves(records)
    pick = wish.pick(calibration)
    trial = wish.trial(calibration, held_out, pick.threshold)
    hits, false, counted = taken(held_out, pick.threshold)
    counts = Counts(int(hits.sum()), int(false.sum()), int(counted.sum()))
    low, high = np.quantile([record.frame.texture for record in records], [0.05, 0.95])
    return CellChoice(
        ground=records[0].frame.ground,
        f_number=records[0].frame.f_number,
        threshold=pick.threshold,
        guaranteed=pick.guaranteed,
        note=pick.note or trial.broken,
        calibration_frames=len(calibration),
        held_out_frames=len(held_out),
        over=wish.over(held_out, pick.threshold) if isinstance(wish, Wish) else 0,
        false_alarms_per_frame=float(false.mean()) if len(false) else math.nan,
        recall=counts.recall,
        precision=counts.precision,
        texture_low=float(low),
        texture_high=float(high),
        trusted=wish.trusts(pick, trial, counts),
        measured=trial.value,
        measured_low=trial.low,
        measured_high=trial.high,
        untouched=trial.untouched,
    )


def write_choice(choice: Choice, path: Path) -> None:
    """Write a choice as JSON, whole or not at all; numbers that JSON lacks (inf, nan) become strings."""
    with whole_file(path) as scratch:
        scratch.write_text(_text(choice), encoding="utf-8")


def replace_choice(choice: Choice, path: Path) -> Path | None:
    """Write a choice where another one may be; that is kept beside it, numbered, and where is returned.

    None where there was none, or the same.
    """
    if not path.is_file():
        kept = None
    elif path.read_bytes() == _text(choice).encode():
        return None
    else:
        kept = _put_aside(path)
    write_choice(choice, path)
    return kept


def _put_aside(path: Path) -> Path:
    """Copy a file to the first free number of its name, and return where."""
    for number in range(1, 10_000):
        place = path.with_name(f"{path.stem}-{number}{path.suffix}")
        try:
            with place.open("xb") as file:
                file.write(path.read_bytes())
            return place
        except FileExistsError:
            continue
    raise YardError(f"{path} was replaced 9999 times already; move {path.stem}-*{path.suffix} away")


def _text(choice: Choice) -> str:
    fields = {"format": FORMATS[-1], **asdict(choice), "wish": as_plain(choice.wish)}
    return json.dumps(_plain(fields), indent=2) + "\n"


def asks_the_same(choice: Choice, path: Path) -> bool:
    """Tell whether a file holds a choice for the same method by the same wish, if of other rows."""
    try:
        held = read_choice(path)
    except YardError:
        return False
    return (held.method, held.wish) == (choice.method, choice.wish)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def read_choice(path: Path) -> Choice:
    """Return the choice that a file, or the file in a result folder, holds.

    Raises
    ------
    YardError
        If there is none or it is not one.
    """
    file = path / "threshold.json" if path.is_dir() else path
    if not file.is_file():
        raise YardError(f"no chosen threshold at {file}; make one with: moteyard threshold {path}")
    try:
        raw = json.loads(file.read_text(encoding="utf-8"))
        if raw.pop("format") not in FORMATS:
            raise YardError(f"{file} was written by another version; choose again with: moteyard threshold")
        raw["wish"] = from_plain(raw["wish"])
        raw["cells"] = tuple(CellChoice(**_numbers(item)) for item in raw["cells"])
        return Choice(**raw)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise YardError(f"{file} is not a chosen threshold ({error}); choose again with: moteyard threshold") from error


def _numbers(item: dict[str, Any]) -> dict[str, Any]:
    whole = {"ground", "note", "guaranteed", "trusted", "calibration_frames", "held_out_frames", "over"}
    return {key: value if key in whole else float(value) for key, value in item.items()}
