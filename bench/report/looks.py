"""One judged frame a ground, to look at: what was found, missed, and taken for dust."""

from __future__ import annotations

from collections.abc import Sequence
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


def write_looks(table: Table, choice: Choice, path: Path) -> None:
    """Write a JPEG with one frame a ground, two in a row, the chosen method's verdicts drawn in.

    The frames are rendered again from their recipes: the store keeps no pixels.
    """
    from PIL import Image

    panels = [_panel(where(table, ground=ground)[choice.method], choice) for ground in grounds(table)]
    columns = min(COLUMNS, len(panels))
    rows = -(-len(panels) // columns)
    width, height = PANEL_PX + GAP_PX, max(panel.height for panel in panels) + GAP_PX
    sheet = Image.new("RGB", (columns * width - GAP_PX, rows * height - GAP_PX), "white")
    for number, panel in enumerate(panels):
        sheet.paste(panel, (number % columns * width, number // columns * height))
    with whole_file(path) as scratch:
        sheet.save(scratch, "JPEG", quality=88)


def _panel(records: Sequence[Record], choice: Choice) -> Any:
    from PIL import Image, ImageDraw

    record = _typical(records)
    cell = next(
        cell for cell in choice.cells if (cell.ground, cell.f_number) == (record.frame.ground, record.frame.f_number)
    )
    picture = Image.fromarray(rendered(record.frame))
    picture = picture.resize((PANEL_PX, round(picture.height * PANEL_PX / picture.width)), Image.Resampling.LANCZOS)
    draw = ImageDraw.Draw(picture)
    _mark(draw, record, cell, scale=PANEL_PX / _width(record))
    title = f"{cell.ground}, f/{cell.f_number:g}   ring: found, dashed: missed, ticks: false alarm"
    words(draw, (14, picture.height - 40), title, unit=2)
    return picture


def _typical(records: Sequence[Record]) -> Record:
    """Return the frame whose number of visible shadows is the median at the shown aperture."""
    nearest = min({r.frame.f_number for r in records}, key=lambda f: abs(np.log(f / SHOWN_F_NUMBER)))
    shown = sorted((r for r in records if r.frame.f_number == nearest), key=lambda r: (r.frame.counted, r.frame.name))
    return shown[len(shown) // 2]


def _width(record: Record) -> int:
    return Scene.from_json(record.frame.recipe).camera.width_px


def _mark(draw: Any, record: Record, cell: CellChoice, *, scale: float) -> None:
    spots = record.result.spots[record.result.spots["score"] > cell.threshold]
    hits = set(spots["truth"][spots["kind"] == HIT].tolist())
    for index, truth in enumerate(record.frame.truth):
        if truth["counted"]:
            centre = (float(truth["x"]) * scale, float(truth["y"]) * scale)
            radius = spot_radius(float(truth["fwhm_px"])) * scale + 4
            ring(draw, centre, radius, unit=1, dashed=index not in hits)
    for spot in spots[spots["kind"] == FALSE_ALARM]:
        centre = (float(spot["x"]) * scale, float(spot["y"]) * scale)
        ticks(draw, centre, spot_radius(float(spot["diameter_px"])) * scale + 2, unit=1)
