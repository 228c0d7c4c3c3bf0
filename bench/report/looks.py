"""One judged frame a ground, to look at: what was found, missed, and taken for dust."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ...generators.scene import Scene
from ..cells import Record, Table, grounds, where
from ..choice import CellChoice, Choice
from ..draw import ring, spot_radius, ticks, words
from ..rendered import rendered
from ..store import FALSE_ALARM, HIT
from ..whole_file import whole_file

SHOWN_F_NUMBER = 16.0
"""The nearest aperture of the suite is shown: small enough for dust to show, not the smallest."""

PANEL_PX, GAP_PX, COLUMNS = 900, 8, 2
"""Width of one frame in the picture, white between frames, and frames side by side."""


@dataclass(frozen=True, slots=True)
class Look:
    """A frame with the chosen method's verdicts drawn in.

    Attributes
    ----------
    picture
        A Pillow picture, `PANEL_PX` wide.
    ground, f_number
        Its cell.
    visible, found, false_alarms
        Shadows that an observer would see, those of them that are found, and false alarms.
    """

    picture: Any
    ground: str
    f_number: float
    visible: int
    found: int
    false_alarms: int


def looks(table: Table, choice: Choice) -> list[Look]:
    """Return a frame a ground, rendered again from its recipe: the store keeps no pixels."""
    return [_look(where(table, ground=ground)[choice.method], choice) for ground in grounds(table)]


def write_looks(shown: Sequence[Look], path: Path) -> None:
    """Write a JPEG with the frames, two in a row."""
    from PIL import Image

    columns = min(COLUMNS, len(shown))
    rows = -(-len(shown) // columns)
    width, height = PANEL_PX + GAP_PX, max(look.picture.height for look in shown) + GAP_PX
    sheet = Image.new("RGB", (columns * width - GAP_PX, rows * height - GAP_PX), "white")
    for number, look in enumerate(shown):
        sheet.paste(_titled(look), (number % columns * width, number // columns * height))
    with whole_file(path) as scratch:
        sheet.save(scratch, "JPEG", quality=88)


def _titled(look: Look) -> Any:
    from PIL import ImageDraw

    picture = look.picture.copy()
    title = f"{look.ground}, f/{look.f_number:g}   ring: found, dashed: missed, ticks: false alarm"
    words(ImageDraw.Draw(picture), (14, picture.height - 40), title, unit=2)
    return picture


def _look(records: Sequence[Record], choice: Choice) -> Look:
    from PIL import Image, ImageDraw

    record = _typical(records)
    frame = record.frame
    cell = next(cell for cell in choice.cells if (cell.ground, cell.f_number) == (frame.ground, frame.f_number))
    picture = Image.fromarray(rendered(frame))
    picture = picture.resize((PANEL_PX, round(picture.height * PANEL_PX / picture.width)), Image.Resampling.LANCZOS)
    found, false_alarms = _mark(ImageDraw.Draw(picture), record, cell, scale=PANEL_PX / _width(record))
    return Look(picture, cell.ground, cell.f_number, frame.counted, found, false_alarms)


def _typical(records: Sequence[Record]) -> Record:
    """Return the frame whose number of visible shadows is the median at the shown aperture."""
    nearest = min({r.frame.f_number for r in records}, key=lambda f: abs(np.log(f / SHOWN_F_NUMBER)))
    shown = sorted((r for r in records if r.frame.f_number == nearest), key=lambda r: (r.frame.counted, r.frame.name))
    return shown[len(shown) // 2]


def _width(record: Record) -> int:
    return Scene.from_json(record.frame.recipe).camera.width_px


def _mark(draw: Any, record: Record, cell: CellChoice, *, scale: float) -> tuple[int, int]:
    """Draw the verdicts; return how many shadows are found and how many false alarms there are."""
    spots = record.result.spots[record.result.spots["score"] > cell.threshold]
    hits = set(spots["truth"][spots["kind"] == HIT].tolist())
    for index, truth in enumerate(record.frame.truth):
        if truth["counted"]:
            centre = (float(truth["x"]) * scale, float(truth["y"]) * scale)
            radius = spot_radius(float(truth["fwhm_px"])) * scale + 5
            ring(draw, centre, radius, unit=2, dashed=index not in hits)
    false_alarms = spots[spots["kind"] == FALSE_ALARM]
    for spot in false_alarms:
        centre = (float(spot["x"]) * scale, float(spot["y"]) * scale)
        ticks(draw, centre, spot_radius(float(spot["diameter_px"])) * scale + 2, unit=2)
    return len(hits), len(false_alarms)
