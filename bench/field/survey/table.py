"""A survey as a table: one line a grain."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ....detectors.survey import Dust
from ...visibility import Viewing
from .place import OnSensor, facing_the_mount, in_words
from .visible import F_NUMBERS, shows_from, visibility

CLASSES = ((20.0, "fine"), (50.0, "medium"), (100.0, "coarse"), (float("inf"), "very coarse"))
"""Names of sizes: below 20, 50, 100 µm and above."""


@dataclass(frozen=True, slots=True)
class Line:
    """One grain of a survey.

    Attributes
    ----------
    number
        1 is the largest.
    x, y
        Pixels of the picture as stored.
    place
        On the sensor, facing the mount.
    where
        The same in words.
    diameter_um, error_um
        With its standard error.
    depth, fwhm_px
        Of its shadow in the test frames.
    levels
        Visibility level at each of `F_NUMBERS`.
    shows_from
        The widest aperture at which it shows, None if at none.
    """

    number: int
    x: float
    y: float
    place: OnSensor
    where: str
    diameter_um: float
    error_um: float
    depth: float
    fwhm_px: float
    levels: tuple[float, ...]
    shows_from: float | None

    @property
    def size(self) -> str:
        """Its class."""
        return next(name for limit, name in CLASSES if self.diameter_um < limit)


def lines(dust: Dust, viewing: Viewing) -> tuple[Line, ...]:
    """Return a line a grain, the largest first."""
    levels = visibility(dust.column("diameter_um"), dust.optics, viewing=viewing)
    pitch = dust.optics.pixel_um
    size_mm = (dust.shape[1] * pitch / 1000, dust.shape[0] * pitch / 1000)
    found = []
    for number, (grain, row, first) in enumerate(zip(dust.grains, levels, shows_from(levels), strict=True), start=1):
        place = facing_the_mount(grain.x, grain.y, shape=dust.shape, pixel_um=pitch)
        found.append(
            Line(
                number,
                grain.x,
                grain.y,
                place,
                in_words(place, size_mm=size_mm),
                grain.diameter_um,
                grain.diameter_se_um,
                grain.depth,
                grain.fwhm_px,
                tuple(row.tolist()),
                first,
            )
        )
    return tuple(found)


def counts(table: Sequence[Line]) -> list[int]:
    """Return how many grains show at each of `F_NUMBERS`."""
    shown: NDArray[np.bool_] = np.array([line.levels for line in table]).reshape(len(table), len(F_NUMBERS)) >= 1
    return [int(count) for count in shown.sum(axis=0)]


HEAD = (
    "number", "x", "y", "right_mm", "up_mm", "where", "diameter_um", "error_um", "size", "depth", "fwhm_px",
    *(f"visibility_f{number:g}" for number in F_NUMBERS), "shows_from",
)  # fmt: skip


def write_table(path: Path, table: Sequence[Line]) -> None:
    """Write the table; an existing file is never replaced."""
    with path.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(HEAD)
        writer.writerows(_row(line) for line in table)


def _row(line: Line) -> list[str]:
    numbers = [f"{value:.2f}" for value in (line.x, line.y, line.place.right_mm, line.place.up_mm)]
    sizes = [f"{line.diameter_um:.1f}", f"{line.error_um:.2f}", line.size, f"{line.depth:.4f}", f"{line.fwhm_px:.2f}"]
    levels = [f"{level:.3g}" for level in line.levels]
    first = "" if line.shows_from is None else f"f/{line.shows_from:g}"
    return [str(line.number), *numbers, line.where, *sizes, *levels, first]
