"""`moteyard find`: the chosen method on real photographs."""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tqdm import tqdm

from ...detectors.check import check_answer
from ...detectors.contract import Detector, Photograph, Spots
from ...detectors.registry import fingerprint, load
from ...detectors.texture import texture_map, tile_of
from ..choice import CellChoice, Choice, read_choice
from ..errors import YardError
from .ground import cells_for, names_of, nearest
from .picture import mark_spots, write_mask
from .reader import read_photograph

DEFAULT_DETECTOR = "matched"

_WARNING = "; trust neither finds nor their absence"


@dataclass(frozen=True, slots=True)
class Find:
    """One spot that was taken.

    Attributes
    ----------
    x, y, diameter_px, score
        As the detector says.
    ground
        The judged ground that its surroundings are most like, or "" without a result.
    trusted
        Whether the method may be trusted on that ground.
    """

    x: float
    y: float
    diameter_px: float
    score: float
    ground: str
    trusted: bool


@dataclass(frozen=True, slots=True)
class Judge:
    """A detector with its rule for taking candidates."""

    detector: Detector
    threshold: float
    choice: Choice | None

    def take(self, photograph: Photograph, spots: Spots) -> tuple[list[Find], dict[str, float]]:
        """Return the spots taken, strongest first, and the share of the picture on each ground."""
        if self.choice is None:
            return [_plain(spots, index) for index in np.flatnonzero(spots.score > self.threshold).tolist()], {}
        cells = self.cells(photograph)
        tiles = texture_map(photograph.log_luminance())
        place = np.array([[nearest(float(texture), cells) for texture in row] for row in tiles])
        shares = {name: float(np.mean(place == number)) for number, name in enumerate(names_of(cells))}
        rows, columns = tile_of(photograph.shape, (tiles.shape[0], tiles.shape[1]), spots.x, spots.y)
        finds = [
            find
            for index, number in enumerate(place[rows, columns].tolist())
            if (find := _judged(spots, index, number, cells)) is not None
        ]
        return finds, {name: share for name, share in shares.items() if share > 0}

    @property
    def frame_megapixels(self) -> float:
        """Size of the frames that the result was made of, nan without a result."""
        return math.nan if self.choice is None else self.choice.frame_megapixels

    def cells(self, photograph: Photograph) -> tuple[CellChoice, ...]:
        """Return the judged cells that speak for a photograph, none without a result."""
        return () if self.choice is None else cells_for(self.choice, photograph.f_number)


def _plain(spots: Spots, index: int) -> Find:
    return Find(*_numbers(spots, index), ground="", trusted=True)


def _numbers(spots: Spots, index: int) -> tuple[float, float, float, float]:
    columns = (spots.x, spots.y, spots.diameter_px, spots.score)
    x, y, diameter, score = (float(column[index]) for column in columns)
    return x, y, diameter, score


def _judged(spots: Spots, index: int, number: int, cells: Sequence[CellChoice]) -> Find | None:
    """Return a candidate on judged ground if its score passes there; on unknown ground by the strictest."""
    known = number < len(cells)
    limit = cells[number].threshold if known else max(cell.threshold for cell in cells)
    if not spots.score[index] > limit:
        return None
    return Find(*_numbers(spots, index), ground=names_of(cells)[number], trusted=known and cells[number].trusted)


def find(photos: Sequence[Path], judge: Judge, *, f_number: float | None, out: Path) -> int:
    """Look at each photograph, write what was found, print a few lines a picture. Returns the exit status.

    Parameters
    ----------
    f_number
        For all the photographs; None takes each file's own.
    out
        Folder for a CSV of spots, a mask and a marked copy of each photograph; nothing in it is replaced.
    """
    names = output_names(photos, out)
    failures = []
    with tqdm(total=len(photos), unit="photo", disable=len(photos) < 2, file=sys.stderr) as bar:
        for path, name in zip(photos, names, strict=True):
            try:
                report = _look(path, judge, f_number=f_number, stem=out / name)
            except (ValueError, OSError, YardError) as error:
                failures.append(str(error))
            else:
                bar.clear()
                print("\n".join(report))
            bar.update()
    for failure in failures:
        print(f"moteyard: {failure}", file=sys.stderr)
    return 2 if failures else 0


def make_judge(source: Path | None, *, detector: str | None, threshold: float | None) -> Judge:
    """Return the judge that the user asked for: a result's choice, or a method with a threshold by hand."""
    if threshold is not None:
        if not math.isfinite(threshold):
            raise YardError(f"--threshold must be a number, not {threshold}")
        return Judge(load(detector or DEFAULT_DETECTOR), threshold, None)
    if source is None:
        raise YardError(
            "a threshold is needed: --from RESULT takes the one chosen by moteyard rank or moteyard threshold "
            "(moteyard rank quick makes a first result), --threshold T sets one by hand"
        )
    if detector is not None:
        raise YardError("--detector goes with --threshold; --from already names the detector")
    choice = read_choice(source)
    chosen = load(choice.detector)
    if fingerprint(chosen) != choice.fingerprint:
        print(
            f"moteyard: {choice.detector} has changed since {source} was made, so its thresholds may not hold; "
            "run moteyard rank again",
            file=sys.stderr,
        )
    return Judge(chosen, math.nan, choice)


def output_names(photos: Sequence[Path], out: Path) -> list[str]:
    """Return a name a photograph for its outputs; refuse to replace any file."""
    names = [path.name for path in photos]
    for name in names:
        if names.count(name) > 1:
            raise YardError(f"two photographs are called {name}; look at them in two calls with two --out folders")
        for ending in (".spots.csv", ".mask.png", ".marked.jpg"):
            target = out / (name + ending)
            if target.exists():
                raise YardError(f"{target} exists already; choose another --out or move it away")
    return names


def _look(path: Path, judge: Judge, *, f_number: float | None, stem: Path) -> list[str]:
    picture, shot = read_photograph(path, f_number)
    answer = answer_of(judge.detector, shot, path)
    finds, shares = judge.take(shot, answer[0].strongest(len(answer[0])))
    stem.parent.mkdir(parents=True, exist_ok=True)
    write_finds(stem.with_name(stem.name + ".spots.csv"), finds)
    write_mask(stem.with_name(stem.name + ".mask.png"), shot.shape, finds)
    mark_spots(stem.with_name(stem.name + ".marked.jpg"), shot, finds)
    title = f"{path.name}: {picture.width}×{picture.height}, {_aperture(shot.f_number, judge)}"
    return _report(title, finds, shares=shares, cells=judge.cells(shot), megapixels=judge.frame_megapixels)


def answer_of(detector: Detector, shot: Photograph, path: Path) -> list[Spots]:
    """Return what a detector says of one photograph.

    Raises
    ------
    YardError
        If it fails; the sentence names it and the file.
    """
    try:
        answer = detector.detect([shot])
        check_answer(answer, [shot])
    except Exception as error:  # a stranger's detector may raise anything
        raise YardError(f"{detector.name} failed on {path}: {type(error).__name__}: {error}") from error
    return answer


def write_finds(path: Path, finds: Sequence[Find]) -> None:
    """Write finds as CSV into a new file."""
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["number", "x", "y", "diameter_px", "score", "ground", "trusted"])
        for number, spot in enumerate(finds, start=1):
            numbers = [f"{value:.2f}" for value in (spot.x, spot.y, spot.diameter_px, spot.score)]
            writer.writerow([number, *numbers, spot.ground, "yes" if spot.trusted else "no"])


def _aperture(f_number: float | None, judge: Judge) -> str:
    if f_number is not None:
        return f"f/{f_number:g}"
    return "f-number unknown" + ("" if judge.choice is None else " (the most cautious numbers count; see --f-number)")


def _report(
    title: str, finds: Sequence[Find], *, shares: dict[str, float], cells: Sequence[CellChoice], megapixels: float
) -> list[str]:
    sure = sum(spot.trusted for spot in finds)
    text = f"{title}; {plural(sure, 'spot')}"
    if not cells:
        return [text]
    text += " on ground where the method is trusted"
    if len(finds) > sure:
        text += f", {len(finds) - sure} elsewhere"
    return [text, *(f"  {100 * share:3.0f} % {_verdict(name, cells, megapixels)}" for name, share in shares.items())]


def plural(count: int, noun: str) -> str:
    """Return a count with its noun: 1 spot, 2 spots."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _verdict(name: str, cells: Sequence[CellChoice], megapixels: float) -> str:
    """Return what the result says of a ground."""
    known = {cell.ground: cell for cell in cells}
    if name not in known:
        return f"rougher than anything judged{_WARNING}"
    cell = known[name]
    rate = cell.false_alarms_per_frame / megapixels
    text = f"like {name}: {_percent(cell.recall)} found there at f/{cell.f_number:g}, {rate:.2g} false a megapixel"
    return text if cell.trusted else text + _WARNING


def _percent(value: float) -> str:
    return "–" if math.isnan(value) else f"{100 * value:.0f} %"
