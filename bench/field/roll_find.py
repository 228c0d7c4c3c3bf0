"""`moteyard find --roll`: all photographs of one camera looked at together."""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from tqdm import tqdm

from ...detectors.consensus import spots_in
from ...detectors.consensus_notes import notes_on
from ...detectors.consensus_scale import MOST
from ...detectors.consensus_study import GrainEvidence, Study
from ...detectors.contract import Photograph, Spots
from ...detectors.lazy_roll import LazyRoll
from ...detectors.network.together import study_together
from ...detectors.optical_scales import known_f_number
from ...generators.orientation import turned, turned_back
from ...generators.photo_io import Picture
from ..errors import YardError
from .counted import counted
from .find import Find, output_names, write_finds
from .lens_note import untold, untold_note
from .picture import mark_spots, write_mask
from .reader import check_one_camera, read_photograph

THRESHOLD = 9.0
"""Evidence above which a grain is taken, at one megapixel a photograph. On the 60 rolls of `rolls standard` 5 (report
seeds; the limit was chosen on others, for an earlier network) it left 0 to 0.6 false alarms a roll, 0.1 on average, and
found after 1, 4, 8, 16, 32 and 64 photographs .02, .23, .32, .45, .60, .75 of all grains in scrub, .03, .27, .40, .53,
.69, .86 in rock and .29, .83, .99, .99, .99, .99 on mixed ground."""

TABLE = "roll.csv"


def default_threshold(megapixels: float) -> float:
    """Return the evidence above which a grain is taken, of photographs of this size.

    There are as many more places to be wrong about as there are pixels, and evidence is a logarithm:
    `THRESHOLD` + ln(megapixels).

    >>> round(default_threshold(24.0), 2)
    12.18
    """
    return THRESHOLD + math.log(megapixels)


class PhotographFiles(LazyRoll):
    """Photographs by one camera, each as its sensor lay, read when they are asked for, one in memory at a time.

    Dust stays on the sensor, so upright and level photographs are compared as stored, which is as the sensor lay.

    Attributes
    ----------
    f_numbers
        What was used for each that was read so far, by index.
    """

    def __init__(self, paths: Sequence[Path], f_number: float | None) -> None:
        self._paths = list(paths)
        self._f_number = f_number
        self._first: Picture | None = None
        self._facts: dict[int, Picture] = {}
        self.f_numbers: dict[int, float | None] = {}

    def __len__(self) -> int:
        return len(self._paths)

    def load(self, index: int) -> Photograph:
        """Return a photograph as the sensor lay.

        Raises
        ------
        YardError
            If it is too small, not of the first one's size, or by another camera.
        """
        picture, shot = read_photograph(self._paths[index], self._f_number)
        self._check(picture)
        self._facts[index] = picture.without_pixels()
        self.f_numbers[index] = known_f_number(shot)
        return self.as_it_lay(index, shot)

    def as_it_lay(self, index: int, photograph: Photograph) -> Photograph:
        """Return a photograph that is turned for display, and was read before, as the sensor lay."""
        pixels = turned_back(photograph.pixels, self._facts[index % len(self)].orientation)
        return replace(photograph, pixels=np.ascontiguousarray(pixels))

    def as_displayed(self, index: int, spots: Spots) -> Spots:
        """Return spots of a photograph that was read before where they are displayed."""
        x, y = self._facts[index % len(self)].from_sensor(spots.x, spots.y)
        return Spots(x.astype(np.float32), y.astype(np.float32), spots.diameter_px, spots.score)

    def displayed(self, index: int, photograph: Photograph) -> Photograph:
        """Return a photograph as this hands it out turned for display."""
        return replace(photograph, pixels=turned(photograph.pixels, self._facts[index % len(self)].orientation))

    def lens_notes(self, studied: Study) -> list[str]:
        """Return a sentence for each focal length of which the roll does not tell where it puts shadows."""
        focals = [self._facts[index].focal_mm for index in range(len(self))]
        by_focal: dict[float, list[str]] = {}
        for index in untold(focals, studied.magnifications):
            by_focal.setdefault(focals[index] or math.nan, []).append(self._paths[index].name)
        corner = math.hypot(*self._facts[0].sensor_size) / 2
        return [
            untold_note(names, focals_mm=(focal, focals[0] or math.nan), most=MOST, corner=corner, unit="px")
            for focal, names in by_focal.items()
        ]

    def _check(self, picture: Picture) -> None:
        first = self._first = self._first or picture.without_pixels()
        check_one_camera(first, picture)
        (width, height), (w, h) = picture.sensor_size, first.sensor_size
        if (width, height) != (w, h):
            raise YardError(
                f"{picture.path} is {width}×{height} but {first.path} is {w}×{h}; a roll is taken by one camera and "
                "uncropped; where a program turned them, look at upright and level photographs in two calls"
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
    with counted(roll, "looking together") as shown:
        studied = study_together(shown)
    height, width = roll[0].shape
    limit = default_threshold(height * width / 1e6) if threshold is None else threshold
    taken = Study(stronger_than(studied.grains, limit), studied.magnifications, studied.likeness)
    out.mkdir(parents=True, exist_ok=True)
    write_grains(out / TABLE, taken.grains, names)
    counts = [_write_one(roll, taken, index, stem=out / name) for index, name in enumerate(_shown(names))]
    print(f"{len(photos)} photographs of {width}×{height}: {len(taken.grains)} grains with evidence above {limit:.1f}")
    for name, count in zip(names, counts, strict=True):
        print(f"{name}: {count} spots")
    for note in (*notes_on(studied, [roll.f_numbers[index] for index in range(len(roll))]), *roll.lens_notes(studied)):
        print(f"note: {note}")
    return 0


def _shown(names: Sequence[str]) -> Iterator[str]:
    return iter(tqdm(names, unit="photo", desc="writing", disable=len(names) < 2, file=sys.stderr))


def stronger_than(grains: Sequence[GrainEvidence], threshold: float) -> tuple[GrainEvidence, ...]:
    """Return the grains whose evidence is above a threshold."""
    return tuple(grain for grain in grains if grain.score > threshold)


def _write_one(roll: PhotographFiles, taken: Study, index: int, *, stem: Path) -> int:
    lay = roll[index]
    photograph, spots = roll.displayed(index, lay), roll.as_displayed(index, spots_in(taken, index, lay))
    finds = [_find(spots, number) for number in range(len(spots))]
    write_finds(stem.with_name(stem.name + ".spots.csv"), finds)
    write_mask(stem.with_name(stem.name + ".mask.png"), photograph.shape, finds)
    mark_spots(stem.with_name(stem.name + ".marked.jpg"), photograph, finds)
    return len(finds)


def _find(spots: Spots, number: int) -> Find:
    columns = (spots.x, spots.y, spots.diameter_px, spots.score)
    x, y, diameter, score = (float(np.asarray(column)[number]) for column in columns)
    return Find(x, y, diameter, score, ground="", trusted=True)


def write_grains(path: Path, grains: Sequence[GrainEvidence], names: Sequence[str]) -> None:
    """Write a line a grain: place in the first photograph as stored, size, evidence, first and last, each's part."""
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["number", "x", "y", "diameter_um", "evidence", "first", "last", *names])
        for number, grain in enumerate(grains, start=1):
            place = [f"{value:.2f}" for value in (grain.x, grain.y)]
            seen = [names[grain.first], names[grain.last]]
            parts = [f"{value:.2f}" for value in grain.by_frame]
            writer.writerow([number, *place, f"{grain.diameter_um:g}", f"{grain.score:.2f}", *seen, *parts])
