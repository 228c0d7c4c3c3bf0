"""`moteyard retouch`: repaired copies of real photographs, with a record of every repair."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from tqdm import tqdm

from ...detectors.contract import Photograph, Spots
from ...detectors.registry import fingerprint
from ...generators.photo_io import PictureError
from ..errors import YardError
from ..field.find import Find, Judge, answer_of, plural
from ..field.raw import is_raw, linear_tiff
from ..field.reader import read_photograph
from ..repairs.contract import LEFT, Known, Mended, Repair
from ..repairs.registry import load
from ..whole_file import whole_file
from .confidence import confidences, ground_contrast, reason, thresholds
from .copies import Change, writer
from .record import Repaired, csv_text, file_digest, json_text, read_record
from .sheet import sheet

BY_HAND = "by-hand.csv"

ENDINGS = (".repairs.csv", ".repaired.mask.png", ".repairs.jpg")
"""What is written beside a repaired copy and its record."""

RECORD = ".repairs.json"

LINEAR = ".linear.tif"


@dataclass(frozen=True, slots=True)
class Wish:
    """What the user asked for.

    Attributes
    ----------
    repair
        A registered repair or ``path/to/file.py:Class``.
    out
        Folder for the copies and their records.
    f_number, filter_distance_mm
        For all photographs; None takes each file's own, and the distance that fits best.
    dry_run
        Write nothing.
    linear
        Write a linear TIFF for a raw file.
    """

    repair: str
    out: Path
    f_number: float | None = None
    filter_distance_mm: float | None = None
    dry_run: bool = False
    linear: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be mended in a photograph, what is known of it, and what is only shown to the user."""

    spots: Spots
    known: Known
    doubtful: tuple[Find, ...] = ()


Planner = Callable[[Photograph, Path], Plan]


def judge_planner(judge: Judge, wish: Wish) -> Planner:
    """Return what looks at each photograph alone: spots on trusted ground are mended, the others are for the hand."""

    def plan(photograph: Photograph, path: Path) -> Plan:
        answer = answer_of(judge.detector, photograph, path)[0]
        finds, _ = judge.take(photograph, answer.strongest(len(answer)))
        sure = [find for find in finds if find.trusted]
        table = np.array([(find.x, find.y, find.diameter_px, find.score) for find in sure], np.float32).reshape(-1, 4)
        doubtful = tuple(find for find in finds if not find.trusted)
        return Plan(Spots(*table.T), Known(wish.filter_distance_mm), doubtful)

    return plan


def judge_words(judge: Judge) -> dict[str, Any]:
    """Return what names a judge in records."""
    choice = None if judge.choice is None else asdict(judge.choice)
    return {"detector": fingerprint(judge.detector), "threshold": repr(judge.threshold), "choice": repr(choice)}


def retouch(photos: Sequence[Path], wish: Wish, *, plan: Planner, settings: dict[str, Any]) -> int:
    """Mend each photograph, write its copy and record, print a line each. Returns the exit status.

    A photograph whose record is there, made of the same file with the same settings, is not done again.

    Parameters
    ----------
    settings
        What the result depends on besides the photograph.
    """
    repair = load(wish.repair)
    settings = settings | {
        "repair": fingerprint(repair),
        "f_number": wish.f_number,
        "filter_distance_mm": wish.filter_distance_mm,
        "linear": wish.linear,
        "version": version("moteyard"),
    }
    if not wish.dry_run:
        for path in photos:
            _clear(wish.out, path)
    _check_list(wish.out)
    done = {path: _is_done(path, wish.out, settings) for path in _checked(photos)}
    failures = []
    with tqdm(photos, unit="photo", disable=len(photos) < 2, file=sys.stderr) as bar:
        for path in bar:
            try:
                line = f"{path.name}: done before" if done[path] else _one(path, wish, repair, plan, settings)
            except (ValueError, OSError, YardError) as error:
                failures.append(str(error))
            else:
                bar.clear()
                print(line)
    if not wish.dry_run:
        _write_by_hand(wish.out)
    for failure in failures:
        print(f"moteyard: {failure}", file=sys.stderr)
    return 2 if failures else 0


def copy_name(path: Path) -> str:
    """Return the name of a repaired copy, which is never its original's.

    >>> copy_name(Path("a/hill.JPG"))
    'hill.retouched.JPG'
    """
    return f"{path.stem}.retouched{path.suffix}"


def _checked(photos: Sequence[Path]) -> list[Path]:
    names = [path.name for path in photos]
    for name in names:
        if names.count(name) > 1:
            raise YardError(f"two photographs are called {name}; retouch them in two calls with two --out folders")
    return list(photos)


def _is_done(path: Path, out: Path, settings: dict[str, Any]) -> bool:
    """Tell whether a photograph's record is there; refuse to replace anything else.

    Raises
    ------
    YardError
        If outputs exist that these settings did not make.
    """
    names = [copy_name(path), path.name + LINEAR, *(path.name + ending for ending in (*ENDINGS, RECORD))]
    record = read_record(out / (path.name + RECORD))
    fits = record is not None and record["settings"] == settings
    if record is not None and fits and path.is_file() and record["source"] == file_digest(path):
        return True
    for name in names:
        if (out / name).exists():
            raise YardError(
                f"{out / name} exists already and is of another file or other settings; choose another --out"
            )
    return False


def _clear(out: Path, path: Path) -> None:
    """Take away what an interrupted run made of a photograph: the names in its mark, and nothing else."""
    mark = out / _mark(path)
    if mark.exists():
        for name in mark.read_text(encoding="utf-8").splitlines():
            (out / name).unlink(missing_ok=True)
        mark.unlink()


def _mark(path: Path) -> str:
    """Return the name of the file that stands in the folder while a photograph's outputs are being written."""
    return f".{path.name}.unfinished"


def _one(path: Path, wish: Wish, repair: Repair, plan: Planner, settings: dict[str, Any]) -> str:
    copies = None if is_raw(path) else writer(_existing(path))  # said before anything is looked for
    picture, photograph = read_photograph(path, wish.f_number)
    wanted = plan(photograph, path)
    if wish.dry_run:
        return f"{path.name}: {plural(len(wanted.spots), 'spot')} to mend, {len(wanted.doubtful)} for the hand"
    try:
        mended = repair.repair(photograph, wanted.spots, wanted.known)
    except Exception as error:  # a stranger's repair may raise anything
        raise YardError(f"{repair.name} failed on {path}: {type(error).__name__}: {error}") from error
    after = replace(photograph, pixels=mended.pixels)
    repairs = _entries(after, wanted, mended.spots)
    facts = {
        "photograph": path.name,
        "source": file_digest(path),
        "f_number": photograph.f_number,
        "settings": settings,
        "touched_pixels": int(mended.touched.sum()),
    }
    parts: dict[str, bytes] = {
        path.name + ".repairs.csv": csv_text(repairs).encode(),
        path.name + ".repaired.mask.png": _png(mended.touched),
    }
    looks = sheet(photograph.pixels, mended.pixels, repairs, encoding=photograph.encoding)
    if looks is not None:
        parts[path.name + ".repairs.jpg"] = _jpeg(looks)
    if copies is not None:
        parts[copy_name(path)] = copies(path, Change.of(picture, mended.pixels, mended.touched))
    if copies is None and wish.linear:
        parts[path.name + LINEAR] = linear_tiff(mended.pixels)
    parts[path.name + RECORD] = json_text(repairs, facts).encode()
    wish.out.mkdir(parents=True, exist_ok=True)
    _write(wish.out, parts, mark=wish.out / _mark(path))
    return _line(path, repairs)


def _existing(path: Path) -> Path:
    if not path.is_file():
        raise PictureError(f"there is no file {path}" if not path.exists() else f"{path} is a folder, not a picture")
    return path


def _entries(after: Photograph, wanted: Plan, mended: Sequence[Mended]) -> list[Repaired]:
    """Return the record's entries: what was mended, then what was not touched for want of trust."""
    spots = wanted.spots
    limits = thresholds(after, spots)
    rough = ground_contrast(after, spots) > limits
    sure = confidences(mended, limits)
    entries = [
        Repaired(
            number=index + 1,
            x=one.x,
            y=one.y,
            diameter_px=float(spots.diameter_px[index]),
            evidence=float(spots.score[index]),
            how=one.how,
            depth=one.depth,
            depth_error=one.depth_error,
            grain_um=one.diameter_um,
            confidence=sure[index],
            by_hand=reason(one, sure[index], rough=bool(rough[index])),
        )
        for index, one in enumerate(mended)
    ]
    nan = float("nan")
    for find in wanted.doubtful:
        why = f"the detector is not to be trusted on ground like {find.ground}"
        place = (find.x, find.y, find.diameter_px, find.score)
        entries.append(Repaired(len(entries) + 1, *place, LEFT, nan, nan, nan, nan, why))
    return entries


def _png(mask: Any) -> bytes:
    return _encoded(np.where(mask, np.uint8(255), np.uint8(0)), "PNG")


def _jpeg(pixels: Any) -> bytes:
    return _encoded(pixels, "JPEG", quality=90)


def _encoded(pixels: Any, kind: str, **options: Any) -> bytes:
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, kind, **options)
    return buffer.getvalue()


def _write(out: Path, parts: dict[str, bytes], *, mark: Path) -> None:
    """Write files whole or not at all; none that exists is replaced. The mark names what is made, as it is made."""
    for name in parts:
        if (out / name).exists():
            raise YardError(f"{out / name} exists already; choose another --out or move it away")
    mark.touch()
    for name, data in parts.items():
        with mark.open("a", encoding="utf-8") as made:
            made.write(name + "\n")
        with whole_file(out / name) as scratch:
            scratch.write_bytes(data)
    mark.unlink()


def _line(path: Path, repairs: Sequence[Repaired]) -> str:
    how = {kind: sum(one.how == kind for one in repairs) for kind in ("divided", "filled", "left")}
    parts = [f"{count} {kind}" for kind, count in how.items() if count]
    hand = sum(bool(one.by_hand) for one in repairs)
    looks = f"; look at {plural(hand, 'place')} by hand" if hand else ""
    return f"{path.name}: {plural(len(repairs), 'spot')}" + (f", {', '.join(parts)}" if parts else "") + looks


BY_HAND_HEADER = ["photograph", "number", "x", "y", "why"]


def _check_list(out: Path) -> None:
    """Refuse to replace a file called like our list that is not one."""
    listed = out / BY_HAND
    if listed.exists() and not listed.read_bytes().startswith(",".join(BY_HAND_HEADER).encode()):
        raise YardError(f"{listed} is not a list that retouch wrote; choose another --out or move it away")


def _write_by_hand(out: Path) -> None:
    """Write the list of places to look at, anew from all records in the folder."""
    rows = []
    for file in sorted(out.glob("*" + RECORD)):
        record = read_record(file) or {"repairs": []}
        rows += [
            [file.name.removesuffix(RECORD), one["number"], one["x"], one["y"], one["by_hand"]]
            for one in record["repairs"]
            if one["by_hand"]
        ]
    if not rows and not (out / BY_HAND).exists():
        return
    with whole_file(out / BY_HAND) as scratch, scratch.open("w", newline="", encoding="utf-8") as stream:
        writer_ = csv.writer(stream)
        writer_.writerow(BY_HAND_HEADER)
        writer_.writerows([name, number, f"{x:.1f}", f"{y:.1f}", why] for name, number, x, y, why in rows)
