"""`moteyard find --roll`: all photographs of one camera looked at together."""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import overload

import numpy as np
from tqdm import tqdm

from ...detectors.consensus import spots_in
from ...detectors.consensus_notes import notes_on
from ...detectors.consensus_study import GrainEvidence, Study
from ...detectors.contract import Photograph, Spots
from ...detectors.network.together import study_together
from ...detectors.optical_scales import known_f_number
from ...generators.photo_io import read_picture
from ..errors import YardError
from .find import LEAST_SIDE_PX, Find, output_names, write_finds
from .picture import mark_spots, write_mask

THRESHOLD = 10.0
"""Evidence above which a grain is taken in a roll of one-megapixel photographs. On 16 rolls of the develop seeds
(8 of scrub, 8 of mixed ground, 0.6 megapixels, f/11) it left 0 to 0.38 false alarms a roll after 1, 4, 8 and 16
photographs, and found .02, .16, .24, .30 of all grains in scrub and .72, .97, .98, .98 on mixed ground."""

TABLE = "roll.csv"


def default_threshold(megapixels: float) -> float:
    """Return the evidence above which a grain is taken, of photographs of this size.

    There are as many more places to be wrong about as there are pixels, and evidence is a logarithm:
    `THRESHOLD` + ln(megapixels).

    >>> round(default_threshold(24.0), 2)
    13.18
    """
    return THRESHOLD + math.log(megapixels)


class PhotographFiles(Sequence[Photograph]):
    """Photographs of one size that are read when they are asked for, one in memory at a time.

    Attributes
    ----------
    f_numbers
        What was used for each that was read so far, by index.
    """

    def __init__(self, paths: Sequence[Path], f_number: float | None) -> None:
        self._paths = list(paths)
        self._f_number = f_number
        self._size: tuple[int, int] | None = None
        self.f_numbers: dict[int, float | None] = {}

    def __len__(self) -> int:
        return len(self._paths)

    @overload
    def __getitem__(self, index: int) -> Photograph: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Photograph]: ...
    def __getitem__(self, index: int | slice) -> Photograph | Sequence[Photograph]:
        """Return a photograph as it is in its file; a slice reads nothing yet.

        Raises
        ------
        YardError
            If it is too small, or not of the first one's size.
        """
        if isinstance(index, slice):
            return PhotographFiles(self._paths[index], self._f_number)
        path = self._paths[index]
        picture = read_picture(path)
        self._check(path, picture.width, picture.height)
        shot = Photograph(picture.pixels, f_number=self._f_number or picture.f_number, pixel_um=picture.pixel_um)
        self.f_numbers[index % len(self)] = known_f_number(shot)
        return shot

    def __iter__(self) -> Iterator[Photograph]:
        return (self[index] for index in range(len(self)))

    def _check(self, path: Path, width: int, height: int) -> None:
        if min(width, height) < LEAST_SIDE_PX:
            raise YardError(
                f"{path} is {width}×{height}, too small to hold a shadow and its surroundings "
                f"(at least {LEAST_SIDE_PX} pixels each way)"
            )
        self._size = self._size or (width, height)
        if (width, height) != self._size:
            raise YardError(
                f"{path} is {width}×{height} but {self._paths[0]} is {self._size[0]}×{self._size[1]}; a roll is taken "
                "by one camera held one way: look at upright and level photographs in two calls"
            )


def find_roll(photos: Sequence[Path], *, threshold: float | None, f_number: float | None, out: Path) -> int:
    """Look at all photographs together, write what was found, print a few lines. Returns the exit status.

    Parameters
    ----------
    threshold
        Grains with more evidence are taken; None for `default_threshold`.
    f_number
        For all the photographs; None takes each file's own.
    out
        Folder for `roll.csv` and for each photograph's table, mask and marked copy; nothing in it is replaced.
    """
    if threshold is not None and not math.isfinite(threshold):
        raise YardError(f"--threshold must be a number, not {threshold}")
    names = output_names(photos, out)
    if (out / TABLE).exists():
        raise YardError(f"{out / TABLE} exists already; choose another --out or move it away")
    roll = PhotographFiles(photos, f_number)
    studied = study_together(roll)
    height, width = roll[0].shape
    limit = default_threshold(height * width / 1e6) if threshold is None else threshold
    taken = Study(stronger_than(studied.grains, limit), studied.magnifications, studied.likeness)
    out.mkdir(parents=True, exist_ok=True)
    write_grains(out / TABLE, taken.grains, names)
    counts = [_write_one(roll[index], taken, index, stem=out / name) for index, name in enumerate(_shown(names))]
    print(f"{len(photos)} photographs of {width}×{height}: {len(taken.grains)} grains with evidence above {limit:.1f}")
    for name, count in zip(names, counts, strict=True):
        print(f"{name}: {count} spots")
    for note in notes_on(studied, [roll.f_numbers[index] for index in range(len(roll))]):
        print(f"note: {note}")
    return 0


def _shown(names: Sequence[str]) -> Iterator[str]:
    return iter(tqdm(names, unit="photo", desc="writing", disable=len(names) < 2, file=sys.stderr))


def stronger_than(grains: Sequence[GrainEvidence], threshold: float) -> tuple[GrainEvidence, ...]:
    """Return the grains whose evidence is above a threshold."""
    return tuple(grain for grain in grains if grain.score > threshold)


def _write_one(photograph: Photograph, taken: Study, index: int, *, stem: Path) -> int:
    spots = spots_in(taken, index, photograph)
    finds = [_find(spots, number) for number in range(len(spots))]
    write_finds(stem.with_name(stem.name + ".spots.csv"), finds)
    write_mask(stem.with_name(stem.name + ".mask.png"), photograph.shape, finds)
    mark_spots(stem.with_name(stem.name + ".marked.jpg"), photograph.pixels, finds)
    return len(finds)


def _find(spots: Spots, number: int) -> Find:
    columns = (spots.x, spots.y, spots.diameter_px, spots.score)
    x, y, diameter, score = (float(np.asarray(column)[number]) for column in columns)
    return Find(x, y, diameter, score, ground="", trusted=True)


def write_grains(path: Path, grains: Sequence[GrainEvidence], names: Sequence[str]) -> None:
    """Write a line a grain: place in the first photograph, size, evidence, first and last photograph, each's part."""
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["number", "x", "y", "diameter_um", "evidence", "first", "last", *names])
        for number, grain in enumerate(grains, start=1):
            place = [f"{value:.2f}" for value in (grain.x, grain.y)]
            seen = [names[grain.first], names[grain.last]]
            parts = [f"{value:.2f}" for value in grain.by_frame]
            writer.writerow([number, *place, f"{grain.diameter_um:g}", f"{grain.score:.2f}", *seen, *parts])
