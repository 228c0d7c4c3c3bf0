"""A baseline: the frames of a suite by recipe and digest, and what detectors once answered on them.

A folder of three files: `suite.toml`, `baseline.json` (frames, detectors, versions) and `outcomes.npz` (scores and
hits of every candidate that counts, and each frame's look). Frames are rendered again, and their digests tell whether
they are the same; with other libraries or on another machine their looks do.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from .cells import Record
from .errors import YardError
from .store import FALSE_ALARM, HIT, IGNORED, SPOT_TYPE, FrameRow, ResultRow
from .suite import Suite
from .suite_file import parse_suite
from .whole_file import whole_file

FORMAT = 2
"""Version of the folder's files; 1 had no looks."""

_LOOKS = "looks of frames"
"""No detector's name has a space."""


@dataclass(frozen=True, slots=True)
class FrameMark:
    """One frame: its recipe (JSON of a `Scene`), the digest of its pixels, how many of its shadows count."""

    name: str
    recipe: str
    pixels: str
    counted: int


@dataclass(frozen=True, slots=True)
class MethodMark:
    """One detector: what the registry loads, the code that answered, CPU time in reference workloads a frame."""

    spec: str
    fingerprint: str
    time_ratio: float


@dataclass(frozen=True, slots=True)
class Baseline:
    """What a detector is compared with.

    Attributes
    ----------
    suite, suite_text
        The suite and its TOML.
    frames
        In the order of the outcomes.
    methods
        By name.
    outcomes
        Name → judged candidates of each frame (`SPOT_TYPE`, of which score and kind are kept).
    looks
        (frames, n): see `frame_look.look`.
    versions
        Libraries and machine it was made with: others may round pixels differently.
    """

    suite: Suite
    suite_text: str
    frames: tuple[FrameMark, ...]
    methods: Mapping[str, MethodMark]
    outcomes: Mapping[str, tuple[Any, ...]]
    looks: NDArray[np.float16]
    versions: str

    def records(self, name: str, rows: Sequence[FrameRow]) -> list[Record]:
        """Return a detector's old answers on the frames, as the statistics take them."""
        mark = self.methods[name]
        return [
            Record(row, ResultRow(row.scene, name, mark.fingerprint, None, np.nan, np.nan, spots))
            for row, spots in zip(rows, self.outcomes[name], strict=True)
        ]


def refuse_files_of_others(folder: Path) -> None:
    """Return if a baseline may be written to a folder.

    Raises
    ------
    YardError
        If it would replace a file that is no baseline's.
    """
    if (folder / "baseline.json").is_file():
        return
    for name in ("suite.toml", "outcomes.npz"):
        if (folder / name).exists():
            raise YardError(f"{folder} has a {name} but no baseline; choose another folder for --make or move it away")


def write_baseline(baseline: Baseline, folder: Path) -> None:
    """Write a baseline, the file that is read first last: a folder without it is none.

    Raises
    ------
    YardError
        If the folder holds files of these names that are no baseline's, or it can't be written.
    """
    refuse_files_of_others(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "baseline.json").unlink(missing_ok=True)
    with whole_file(folder / "suite.toml") as scratch:
        scratch.write_text(baseline.suite_text, encoding="utf-8")
    arrays: dict[str, Any] = {_LOOKS: baseline.looks}
    for name, frames in baseline.outcomes.items():
        kept = [spots[spots["kind"] != IGNORED] for spots in frames]
        arrays[f"{name}/candidates"] = np.array([len(spots) for spots in kept], dtype=np.int32)
        arrays[f"{name}/score"] = np.concatenate([spots["score"] for spots in kept])
        arrays[f"{name}/hit"] = np.packbits(np.concatenate([spots["kind"] == HIT for spots in kept]))
    with whole_file(folder / "outcomes.npz") as scratch, scratch.open("wb") as file:
        np.savez_compressed(file, **arrays)
    card = {
        "format": FORMAT,
        "suite": f"{baseline.suite.name} version {baseline.suite.version}",
        "versions": baseline.versions,
        "methods": {name: asdict(mark) for name, mark in baseline.methods.items()},
        "frames": [asdict(frame) for frame in baseline.frames],
    }
    with whole_file(folder / "baseline.json") as scratch:
        scratch.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")


def read_baseline(folder: Path) -> Baseline:
    """Return the baseline in a folder.

    Raises
    ------
    YardError
        If there is none or it can't be used.
    """
    if not (folder / "baseline.json").is_file():
        raise YardError(f"{folder} holds no baseline; make one with: moteyard guard --make {folder}")
    try:
        card = json.loads((folder / "baseline.json").read_text(encoding="utf-8"))
        if card["format"] != FORMAT:
            raise ValueError(f"format {card['format']}, this version reads {FORMAT}")
        text = (folder / "suite.toml").read_text(encoding="utf-8")
        methods = {name: MethodMark(**mark) for name, mark in card["methods"].items()}
        frames = tuple(FrameMark(**frame) for frame in card["frames"])
        with np.load(folder / "outcomes.npz") as arrays:
            outcomes = {name: _outcome(arrays, name, len(frames)) for name in methods}
            looks = arrays[_LOOKS]
            if len(looks) != len(frames):
                raise ValueError("looks do not fit the frames")
        return Baseline(
            suite=parse_suite(text, where=str(folder / "suite.toml")),
            suite_text=text,
            frames=frames,
            methods=methods,
            outcomes=outcomes,
            looks=looks,
            versions=str(card["versions"]),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, BadZipFile) as error:
        raise YardError(f"{folder} is no baseline ({error}); make one with: moteyard guard --make") from error


def _outcome(arrays: Any, name: str, frames: int) -> tuple[Any, ...]:
    counts, score = arrays[f"{name}/candidates"], arrays[f"{name}/score"]
    if len(counts) != frames or counts.sum() != len(score):
        raise ValueError(f"outcomes of {name!r} do not fit the frames")
    hit = np.unpackbits(arrays[f"{name}/hit"], count=len(score)).astype(bool)
    table = np.zeros(len(score), dtype=SPOT_TYPE)
    table["score"], table["kind"] = score, np.where(hit, HIT, FALSE_ALARM)
    return tuple(np.split(table, np.cumsum(counts)[:-1]))
