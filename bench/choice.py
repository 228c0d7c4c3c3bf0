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
from scipy.stats import binom

from .cells import Record, Table, f_numbers, grounds, where
from .errors import YardError
from .order_threshold import frame_statistic, frames_needed, quiet_threshold
from .whole_file import whole_file

FORMAT = 3
"""Version of the file that `write_choice` writes."""

TRUSTED_RECALL = 0.5
"""A cell in which a method finds less than half of what can be seen is not to be trusted to it."""

SURPRISE = 0.01
"""Held-out frames break a promise where their number of failures would be this unlikely if it held."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked of a threshold: at most `most` false alarms in a share of frames, with confidence."""

    most: int = 1
    share: float = 0.9
    confidence: float = 0.95


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
        Whether the calibration frames were enough for the promise.
    note
        What to know about it, one sentence, or "".
    calibration_frames, held_out_frames
        How many frames each half had.
    over
        Held-out frames with more false alarms than allowed.
    false_alarms_per_frame, recall, precision
        On the held-out half, at the threshold. nan is 0/0.
    texture_low, texture_high
        5th and 95th percentile of the frames' texture, natural-log units: by it a photograph finds its ground.
    trusted
        Whether the threshold is guaranteed, the promise held on the held-out half, and at least half of the
        visible shadows were found.
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
    wish: Wish
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


def choose(table: Table, method: str, wish: Wish) -> tuple[CellChoice, ...]:
    """Return a threshold per cell, chosen on one half of its frames and tried on the other."""
    return tuple(
        _choose(where(table, ground=ground, f_number=f_number)[method], wish)
        for ground in grounds(table)
        for f_number in f_numbers(table)
    )


def _choose(records: Sequence[Record], wish: Wish) -> CellChoice:
    calibration, held_out = halves(records)
    threshold, guaranteed, note = _threshold(calibration, wish)
    seen = _tried(held_out, threshold, wish)
    broken = binom.sf(seen["over"] - 1, max(1, len(held_out)), 1 - wish.share) < SURPRISE
    if broken:
        note = f"{seen['over']} of {len(held_out)} held-out frames had more false alarms than allowed"
    low, high = np.quantile([record.frame.texture for record in records], [0.05, 0.95])
    return CellChoice(
        ground=records[0].frame.ground,
        f_number=records[0].frame.f_number,
        threshold=threshold,
        guaranteed=guaranteed,
        note=note,
        calibration_frames=len(calibration),
        held_out_frames=len(held_out),
        texture_low=float(low),
        texture_high=float(high),
        trusted=guaranteed and not broken and seen["recall"] >= TRUSTED_RECALL,
        **seen,
    )


def _threshold(calibration: Sequence[Record], wish: Wish) -> tuple[float, bool, str]:
    """Return the threshold, whether it is guaranteed, and a note where it is not."""
    alpha, delta = 1 - wish.share, 1 - wish.confidence
    needed = frames_needed(alpha, delta)
    scores = [record.false_scores for record in calibration]
    if len(calibration) >= needed:
        return quiet_threshold(scores, most=wish.most, alpha=alpha, delta=delta).threshold, True, ""
    note = f"no guarantee: it needs {needed} independent frames to choose on, there are {len(calibration)}"
    if not calibration:
        return math.inf, False, note
    return max(frame_statistic(score, most=wish.most) for score in scores), False, note


def _tried(held_out: Sequence[Record], threshold: float, wish: Wish) -> dict[str, Any]:
    false = np.array([int((record.false_scores > threshold).sum()) for record in held_out])
    hits = sum(int((record.hit & (record.score > threshold)).sum()) for record in held_out)
    counted = sum(record.frame.counted for record in held_out)
    found = hits + int(false.sum())
    return {
        "over": int((false > wish.most).sum()),
        "false_alarms_per_frame": float(false.mean()) if len(false) else math.nan,
        "recall": hits / counted if counted else math.nan,
        "precision": hits / found if found else math.nan,
    }


def write_choice(choice: Choice, path: Path) -> None:
    """Write a choice as JSON, whole or not at all; numbers that JSON lacks (inf, nan) become strings."""
    text = json.dumps({"format": FORMAT, **_plain(asdict(choice))}, indent=2)
    with whole_file(path) as scratch:
        scratch.write_text(text + "\n", encoding="utf-8")


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
        if raw.pop("format") != FORMAT:
            raise YardError(f"{file} was written by another version; choose again with: moteyard threshold")
        raw["wish"] = Wish(**raw["wish"])
        raw["cells"] = tuple(CellChoice(**_numbers(item)) for item in raw["cells"])
        return Choice(**raw)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise YardError(f"{file} is not a chosen threshold ({error}); choose again with: moteyard threshold") from error


def _numbers(item: dict[str, Any]) -> dict[str, Any]:
    kinds = {"threshold", "false_alarms_per_frame", "recall", "precision"}
    return {key: float(value) if key in kinds else value for key, value in item.items()}
