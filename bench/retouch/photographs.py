"""`moteyard retouch`: repaired copies of real photographs, with a record of every repair."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

from tqdm import tqdm

from ...detectors.contract import Photograph
from ...detectors.registry import fingerprint
from ...generators.photo_io import PictureError
from ..errors import YardError
from ..field.find import plural
from ..field.raw import is_raw, linear_tiff
from ..field.reader import read_photograph
from ..repairs.contract import LEFT, Mended, Repair
from ..repairs.registry import load
from .by_hand import check_list, write_by_hand
from .confidence import confidences, ground_contrast, reason, thresholds
from .copies import Change, writer
from .outputs import LINEAR, RECORD, checked, clear, copy_name, is_done, jpeg, mark_name, png, write
from .plan import Plan, Planner
from .record import Repaired, csv_text, file_digest, json_text
from .sheet import sheet


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
            clear(wish.out, path)
    check_list(wish.out)
    done = {path: is_done(path, wish.out, settings) for path in checked(photos)}
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
        write_by_hand(wish.out)
    for failure in failures:
        print(f"moteyard: {failure}", file=sys.stderr)
    return 2 if failures else 0


def _one(path: Path, wish: Wish, repair: Repair, plan: Planner, settings: dict[str, Any]) -> str:
    copies = None if is_raw(path) else writer(_existing(path))  # said before anything is looked for
    picture, photograph = read_photograph(path, wish.f_number)
    wanted = plan(photograph, picture)
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
        path.name + ".repaired.mask.png": png(mended.touched),
    }
    looks = sheet(photograph.pixels, mended.pixels, repairs, encoding=photograph.encoding)
    if looks is not None:
        parts[path.name + ".repairs.jpg"] = jpeg(looks)
    if copies is not None:
        parts[copy_name(path)] = copies(path, Change.of(picture, mended.pixels, mended.touched))
    if copies is None and wish.linear:
        parts[path.name + LINEAR] = linear_tiff(mended.pixels)
    parts[path.name + RECORD] = json_text(repairs, facts).encode()
    wish.out.mkdir(parents=True, exist_ok=True)
    write(wish.out, parts, mark=wish.out / mark_name(path))
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
            number=wanted.number(index),
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
    for one in wanted.doubtful:
        place = (one.x, one.y, one.diameter_px, one.evidence)
        entries.append(Repaired(one.number, *place, LEFT, nan, nan, nan, nan, one.why))
    return sorted(entries, key=lambda entry: entry.number)


def _line(path: Path, repairs: Sequence[Repaired]) -> str:
    how = {kind: sum(one.how == kind for one in repairs) for kind in ("divided", "filled", "left")}
    parts = [f"{count} {kind}" for kind, count in how.items() if count]
    hand = sum(bool(one.by_hand) for one in repairs)
    looks = f"; look at {plural(hand, 'place')} by hand" if hand else ""
    return f"{path.name}: {plural(len(repairs), 'spot')}" + (f", {', '.join(parts)}" if parts else "") + looks
