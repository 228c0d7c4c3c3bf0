"""`moteyard check-photos`: whether pictures that are held to be clean share shadows, as dust makes them."""

from __future__ import annotations

import csv
import math
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from tqdm import tqdm

from ...detectors.check import check_answer
from ...detectors.contract import Detector, Photograph, Spots
from ...detectors.registry import load
from ...generators.backgrounds.photograph import PhotographFolder
from ...generators.orientation import turned_back
from ...generators.photo_io import Picture, list_pictures, read_picture
from ..crops import Tile
from ..errors import YardError
from .coincidence import DEPTHS, Shared, shared_places
from .contact_sheet import MOST_COLUMNS, MOST_ROWS, crop, write_sheet
from .find import DEFAULT_DETECTOR, Find
from .likeness import alike, thumbnail
from .picture import write_mask
from .reader import LEAST_SIDE_PX

MOST_EXPECTED = 0.05
"""Places are reported if chance is expected to make at most so many of their kind in the whole folder."""

REACH = 0.002
"""How far apart two candidates may lie and be one place, as a share of the diagonal: 14 px of 24 megapixels.

Another lens moves a shadow by d·r·(1/L₁ − 1/L₂), r from the middle: 27 px of 5 µm in the corner for exit pupils at
60 and 100 mm and d = 1 mm. So dust near the middle is found over all lenses, near the corners over one lens."""

LEAST_REACH_PX = 3.0
"""A detector places a faint, soft spot no better than this."""

CROP = 6
"""Side of a crop in widths of the shadow."""

SHEET, TABLE = "shared.jpg", "shared.csv"


@dataclass(frozen=True, slots=True)
class Look:
    """What was seen in one picture; pixels are not kept.

    Attributes
    ----------
    path
        The file.
    size
        Width and height as the sensor lay.
    candidates
        Columns x, y, diameter as the sensor lay, strongest first.
    thumbnail
        For `alike`.
    """

    path: Path
    size: tuple[int, int]
    candidates: NDArray[np.float64]
    thumbnail: NDArray[np.float32]


def check_photos(folder: Path, *, detector: str | None, out: Path) -> int:
    """Compare the pictures of a folder, print and write what they share. Returns the exit status.

    Files are only read; nothing in `out` is replaced. Candidates under a picture's mask are left out, so that a
    second check, with the masks of the first beside the pictures, shows what remains.
    """
    paths = _paths(folder, out)
    looks, problems = _looks(paths, load(detector or DEFAULT_DETECTOR))
    used, notes = _comparable(looks)
    for line in (*problems, *notes):
        print(f"moteyard: {line}", file=sys.stderr)
    if len(used) < 2:
        raise YardError(f"{folder} holds {len(used)} pictures that can be compared; at least two are needed")
    size = max(look.size for look in used)
    places = shared_in(used, size=size)
    print("\n".join(report(places, used)))
    if places:
        _write(out, places, used, size=size)
        print(f"written to {out}: {TABLE}, {SHEET} and a mask for each picture, to be put beside it")
    return 2 if problems else 0


def _paths(folder: Path, out: Path) -> list[Path]:
    paths = list_pictures(folder)
    if len(paths) < 2:
        raise YardError(f"{folder} holds {len(paths)} pictures (JPEG, PNG, TIFF or HEIC); at least two are needed")
    for name in (TABLE, SHEET, *(path.name + ".mask.png" for path in paths)):
        if (out / name).exists():
            raise YardError(f"{out / name} exists already; choose another --out or move it away")
    return paths


def _looks(paths: Sequence[Path], detector: Detector) -> tuple[list[Look], list[str]]:
    looks, problems = [], []
    for path in tqdm(paths, unit="photo", file=sys.stderr):
        try:
            looks.append(look_at(path, detector))
        except (ValueError, OSError) as error:
            problems.append(str(error))
    return looks, problems


def look_at(path: Path, detector: Detector) -> Look:
    """Return the candidates of one picture, placed as the sensor lay.

    Raises
    ------
    ValueError
        If the picture or its mask can't be used, or the detector's answer breaks the contract.
    """
    picture = read_picture(path)
    if min(picture.width, picture.height) < LEAST_SIDE_PX:
        raise ValueError(f"{path} is {picture.width}×{picture.height}, too small to hold a shadow")
    shot = Photograph(picture.pixels, f_number=picture.f_number, pixel_um=picture.pixel_um)
    answer = detector.detect([shot])
    check_answer(answer, [shot])
    spots = _unmasked(answer[0], PhotographFolder(str(path.parent)).mask(path.name)).strongest(max(DEPTHS))
    x, y = picture.to_sensor(spots.x, spots.y)
    return Look(
        path=path,
        size=picture.sensor_size,
        candidates=np.column_stack([x, y, spots.diameter_px]).astype(np.float64),
        thumbnail=thumbnail(shot, picture.orientation),
    )


def _unmasked(spots: Spots, mask: NDArray[np.bool_] | None) -> Spots:
    if mask is None:
        return spots
    rows = np.clip(np.rint(spots.y).astype(int), 0, mask.shape[0] - 1)
    columns = np.clip(np.rint(spots.x).astype(int), 0, mask.shape[1] - 1)
    return spots.take(~mask[rows, columns])


def _comparable(looks: Sequence[Look]) -> tuple[list[Look], list[str]]:
    """Return the pictures of the commonest shape, one of each scene, and a sentence on each of the others."""
    if not looks:
        return [], []
    shape = Counter(_shape(look.size) for look in looks).most_common(1)[0][0]
    used: list[Look] = []
    notes = []
    for look in looks:
        twin = next((other for other in used if alike(other.thumbnail, look.thumbnail)), None)
        if _shape(look.size) != shape:
            notes.append(
                f"{look.path.name} is left out: {look.size[0]}×{look.size[1]} as stored is another shape than the "
                "others' (cropped, or turned by a program), so its places on the sensor are unknown"
            )
        elif twin is not None:
            notes.append(
                f"{look.path.name} is left out: it shows the same scene as {twin.path.name}, which they would share"
            )
        else:
            used.append(look)
    return used, notes


def _shape(size: tuple[int, int]) -> float:
    """Return width over height, to a hundredth: scaling to whole pixels changes it by less."""
    return round(size[0] / size[1], 2)


def shared_in(looks: Sequence[Look], *, size: tuple[int, int]) -> list[Shared]:
    """Return the places shared by pictures of one shape, in pixels of a sensor of that width and height."""
    pictures = []
    for look in looks:
        scale = size[0] / look.size[0]
        table = look.candidates * scale
        table[:, :2] += (scale - 1) / 2  # (0, 0) is the centre of the first pixel, whatever its size
        pictures.append(table)
    reach = max(LEAST_REACH_PX, REACH * math.hypot(*size))
    return shared_places(pictures, size=size, reach_px=reach, most_expected=MOST_EXPECTED)


def report(places: Sequence[Shared], looks: Sequence[Look]) -> list[str]:
    """Return what is printed."""
    chance = f"chance would make fewer than {MOST_EXPECTED:g}"
    if not places:
        return [f"{len(looks)} pictures compared: none of their shadows is shared by more of them than chance allows"]
    noun = "place" if len(places) == 1 else "places"
    return [
        f"{len(looks)} pictures compared: {len(places)} {noun} with a shared shadow, where {chance}",
        "",
        f"{'':>4}{'x':>8}{'y':>8}{'width px':>10}{'pictures':>10}{'by chance':>12}",
        *(_row(number, place, of=len(looks)) for number, place in enumerate(places, start=1)),
        "",
        "places are in pixels of the largest picture as stored, whichever way it is shown",
    ]


def _row(number: int, place: Shared, *, of: int) -> str:
    count = f"{len(place.members)}/{of}"
    return f"{number:4}{place.x:8.0f}{place.y:8.0f}{place.diameter_px:10.0f}{count:>10}{place.expected:12.1e}"


def _write(out: Path, places: Sequence[Shared], looks: Sequence[Look], *, size: tuple[int, int]) -> None:
    out.mkdir(parents=True, exist_ok=True)
    with (out / TABLE).open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["number", "x", "y", "diameter_px", "pictures", "of", "expected_by_chance", "names"])
        for number, place in enumerate(places, start=1):
            names = ";".join(looks[index].path.name for index in place.members)
            numbers = [f"{value:.2f}" for value in (place.x, place.y, place.diameter_px)]
            writer.writerow([number, *numbers, len(place.members), len(looks), f"{place.expected:.3g}", names])
    columns: list[list[Tile]] = []
    for look in looks:
        picture = read_picture(look.path)
        found = _in_picture(places, picture, size)
        write_mask(out / (look.path.name + ".mask.png"), (picture.height, picture.width), found)
        if len(columns) < MOST_COLUMNS:
            columns.append(_crops(picture, found[:MOST_ROWS]))
    shown = [look.path.name for look in looks[:MOST_COLUMNS]]
    members = [place.members for place in places[:MOST_ROWS]]
    write_sheet(out / SHEET, list(zip(*columns, strict=True)), names=shown, members=members)


def _in_picture(places: Sequence[Shared], picture: Picture, size: tuple[int, int]) -> list[Find]:
    """Return the places in pixels of a picture as displayed."""
    scale = picture.sensor_size[0] / size[0]
    finds = []
    for place in places:
        x, y = picture.from_sensor(*(value * scale + (scale - 1) / 2 for value in (place.x, place.y)))
        finds.append(Find(float(x), float(y), place.diameter_px * scale, -place.expected, ground="", trusted=True))
    return finds


def _crops(picture: Picture, finds: Sequence[Find]) -> list[Tile]:
    """Return a crop of each place, turned back to how the sensor lay."""
    sides = [max(32, round(CROP * find.diameter_px)) for find in finds]
    return [
        turned_back(crop(picture.pixels, find.x, find.y, side), picture.orientation)
        for find, side in zip(finds, sides, strict=True)
    ]
