"""A worked case: test frames before and after cleans and photographs between, as a camera would file them."""

from __future__ import annotations

import csv
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from tqdm import tqdm

from ..generators.camera import Camera
from ..generators.exif import CODES, EXIF_IFD, ORIENTATION
from ..generators.names import nearest
from ..generators.optics import Optics
from ..generators.particles import Population
from ..generators.roll import Exposure, LensChange, Roll, render_exposure
from ..generators.scene import Frame, scene_seed
from .errors import YardError

JPEG_QUALITY = 95

TRUTH = "what-lies-there.csv"

UM_PER_CM = 10_000.0
CENTIMETRE = 3
"""Focal-plane resolution unit (Exif 2.32)."""


@dataclass(frozen=True, slots=True)
class Shot:
    """One file: its name, its exposure, and the focal length and time that EXIF tells."""

    name: str
    exposure: Exposure
    focal_mm: float
    taken: datetime


@dataclass(frozen=True, slots=True)
class Scenario:
    """A named case.

    Attributes
    ----------
    summary
        What happens in it, a line.
    shots
        In the order in which they were taken.
    changes
        What is done to the sensor between them.
    tries
        What to do with the files in a folder, commands.
    """

    name: str
    summary: str
    shots: tuple[Shot, ...]
    changes: tuple[LensChange, ...]
    tries: Callable[[Path], list[str]]

    def roll(self) -> Roll:
        """Return its roll: a small sensor of 9 × 6 mm, so that it renders in a moment."""
        return Roll(
            name=self.name,
            exposures=tuple(shot.exposure for shot in self.shots),
            optics=Optics(filter_distance_mm=0.9),
            camera=Camera(width_px=1500, height_px=1000),
            population=Population(mean_count=26, smallest_um=10),
            changes=self.changes,
            seed=scene_seed(26107, "develop", "scenario", self.name),
        )


def _coast_tries(out: Path) -> list[str]:
    before, blown, swabbed = (f"{out}/{word}-1.jpg {out}/{word}-2.jpg" for word in ("before", "blown", "swabbed"))
    return [
        f"moteyard survey {before} --out {out}/survey",
        f"moteyard survey --before {before} --after {blown} --cleaned-by blower --out {out}/blown",
        f"moteyard survey --before {blown} --after {swabbed} --cleaned-by swab --out {out}/swabbed",
    ]


def _season_tries(out: Path) -> list[str]:
    return [
        f"for n in 1 2 3 4 5 6 7 8; do moteyard survey {out}/survey-$n-*.jpg --out {out}/surveys/$n; done",
        f"moteyard survey --history {out}/surveys --out {out}/history",
    ]


SEASON = datetime(2026, 4, 4, 9)
"""The first morning, invented."""


SEASON_CHANGES = ((0.03, 0.15), (0.03, 0.25), (0.03, 0.2), (0.6, 0.03), (0.03, 0.3), (0.03, 0.2), (0.7, 0.02))
"""Share that falls off and share of a fresh population that comes before each survey but the first."""


def _test(name: str, day: float = 0.0, *, pupil_mm: float = 60.0, focal_mm: float = 50.0) -> Shot:
    exposure = Exposure("screen", f_number=22.0, exit_pupil_mm=pupil_mm, is_test_frame=True)
    return Shot(name, exposure, focal_mm, SEASON + timedelta(days=day))


def _walk(number: int, ground: str, f_number: float) -> Shot:
    exposure = Exposure(ground, f_number=f_number, exit_pupil_mm=45.0)
    return Shot(f"walk-{number}", exposure, 24.0, SEASON + timedelta(hours=number))


def _season() -> tuple[Shot, ...]:
    """Return two test frames a survey: eight of them, one by another lens, two of them just after cleans."""
    days = (0.0, 12.0, 25.0, 39.0, 39.1, 54.0, 68.0, 68.1)
    lens = {2: (90.0, 85.0)}
    return tuple(
        _test(f"survey-{number + 1}-{frame}", day + frame / 1440, pupil_mm=pupil, focal_mm=focal)
        for number, day in enumerate(days)
        for pupil, focal in (lens.get(number, (60.0, 50.0)),)
        for frame in (1, 2)
    )


SCENARIOS = {
    scenario.name: scenario
    for scenario in (
        Scenario(
            "coast-path",
            "a dusty sensor, a walk by the sea with a wide lens, then a blower, a swab and test frames after each",
            (
                _test("before-1"), _test("before-2"),
                _walk(1, "sky", 11.0), _walk(2, "water", 16.0), _walk(3, "rock", 11.0), _walk(4, "sky", 16.0),
                _test("blown-1", 1.0), _test("blown-2", 1.0),
                _test("swabbed-1", 1.1), _test("swabbed-2", 1.1),
            ),
            (LensChange(6, gone=0.5, moved=0.15, come=0.05), LensChange(8, gone=0.85, moved=0.0, come=0.03)),
            _coast_tries,
        ),
        Scenario(
            "season",
            "eight surveys of a sensor over ten weeks, one by another lens, with two cleans between",
            _season(),
            tuple(
                LensChange(2 * number, gone=gone, moved=0.0, come=come)
                for number, (gone, come) in enumerate(SEASON_CHANGES, start=1)
            ),
            _season_tries,
        ),
    )
}  # fmt: skip
"""By name."""


def render_scenario(name: str, *, out: Path) -> int:
    """Write a scenario's files and what really lies on the sensor; return the exit status. Nothing is replaced."""
    if name not in SCENARIOS:
        raise YardError(f"unknown scenario {name!r}; {nearest(name, SCENARIOS)}")
    scenario = SCENARIOS[name]
    paths = [out / f"{shot.name}.jpg" for shot in scenario.shots]
    for path in (*paths, out / TRUTH):
        if path.exists():
            raise YardError(f"{path} exists already; choose another --out or move it away")
    out.mkdir(parents=True, exist_ok=True)
    roll = scenario.roll()
    rows: list[list[str]] = []
    shots = zip(scenario.shots, paths, strict=True)
    for index, (shot, path) in enumerate(tqdm(shots, total=len(paths), unit="frame", desc=name, file=sys.stderr)):
        frame = render_exposure(roll, index)
        _write(path, frame, shot)
        rows += _truth(path.name, frame)
    with (out / TRUTH).open("x", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([["file", "grain", "x", "y", "diameter_um", "depth"], *rows])
    print(f"{scenario.summary}: {len(paths)} pictures and {TRUTH} written to {out}")
    print("\n".join(["now try", *(f"  {line}" for line in scenario.tries(out))]))
    return 0


def _truth(name: str, frame: Frame) -> list[list[str]]:
    truth = frame.truth
    return [
        [name, str(grain), f"{x:.2f}", f"{y:.2f}", f"{size:.1f}", f"{depth:.4f}"]
        for grain, x, y, size, depth in zip(
            truth.identity, truth.x, truth.y, truth.diameter_um, truth.depth, strict=True
        )
    ]


def _write(path: Path, frame: Frame, shot: Shot) -> None:
    from PIL import Image

    with path.open("xb") as file:
        Image.fromarray(frame.pixels).save(file, "JPEG", quality=JPEG_QUALITY, exif=_exif(frame, shot))


def _exif(frame: Frame, shot: Shot) -> Any:
    from PIL import Image
    from PIL.TiffImagePlugin import IFDRational

    optics, camera = frame.scene.optics, frame.scene.camera
    exif = Image.Exif()
    exif[ORIENTATION] = 1
    words: dict[str, Any] = {
        "FNumber": IFDRational(round(10 * optics.f_number), 10),
        "ISOSpeedRatings": round(camera.iso),
        "FocalLength": IFDRational(round(10 * shot.focal_mm), 10),
        "PixelXDimension": camera.width_px,
        "PixelYDimension": camera.height_px,
        "FocalPlaneXResolution": IFDRational(round(1000 * UM_PER_CM / optics.pixel_um), 1000),
        "FocalPlaneResolutionUnit": CENTIMETRE,
        "DateTimeOriginal": f"{shot.taken:%Y:%m:%d %H:%M:%S}",
    }
    exif.get_ifd(EXIF_IFD).update({CODES[name]: value for name, value in words.items()})
    return exif
