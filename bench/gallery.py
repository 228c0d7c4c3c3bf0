"""Crops of hits, misses and false alarms, with the outlines of the true shadows in numbers beside them."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from tqdm import tqdm

from .cells import Record, Table, f_numbers, grounds, where
from .choice import CellChoice
from .crops import Tile, raised, resized, square
from .draw import spot_radius
from .gallery_choice import Place, alarms_worth, found_scores, frames_worth, shadows_worth
from .rendered import rendered

TILE_PX = 96
"""Width of a crop as it is kept: whole blocks of 16, in which a lossy WebP predicts, so that neighbours in a sheet
hardly mix."""

COLUMNS = 10
"""Crops side by side in a sheet."""

BUDGET = 640
"""Crops of all cells together, about 2.5 kB each in the page, as they are and with their contrast raised."""

LEAST_SIDE_PX, MOST_SIDE_PX = 48, 200
"""Pixels of the frame that a crop shows."""

WIDTHS = 5.0
"""Width of a crop in widths of its shadow."""

QUALITY = 78
"""Of the sheets, 0–100."""

SLOWEST = 6
"""Effort of the encoder, which makes the smallest files."""


def gallery(
    table: Table, method: str, choices: Mapping[str, Sequence[CellChoice]], *, show_progress: bool = False
) -> Iterator[dict[str, Any]]:
    """Yield one entry a cell: a sheet of crops as they are, one with raised contrast, and what each crop holds.

    Frames are chosen by `method` at its thresholds, other methods are shown on the same frames.
    """
    cells = [(ground, f_number) for ground in grounds(table) for f_number in f_numbers(table)]
    thresholds = {(cell.ground, cell.f_number): cell.threshold for cell in choices[method]}
    for ground, f_number in tqdm(cells, desc="crops", unit="cell", disable=not show_progress):
        here = where(table, ground=ground, f_number=f_number)
        yield {"ground": ground, "f_number": f_number} | _cell(
            here, method, thresholds[ground, f_number], most=BUDGET // len(cells)
        )


def _cell(table: Table, method: str, threshold: float, *, most: int) -> dict[str, Any]:
    records = table[method]
    frames = frames_worth(records, threshold)
    pictures = {number: rendered(records[number].frame) for number in frames}
    shown = [_shadow_entry(table, place) for place in shadows_worth(records, frames, threshold)]
    alarms: dict[Place, dict[str, float]] = {}
    for name, place, score in alarms_worth(table, frames, method):
        if place in alarms or len(shown) + len(alarms) < most:
            alarms.setdefault(place, {}).setdefault(name, _nine_digits(score))
    shown += [_alarm_entry(records, place, scores) for place, scores in alarms.items()]
    places = [entry.pop("place") for entry in shown]
    plain = [resized(square(pictures[p.frame], p.x, p.y, side(p)), TILE_PX) for p in places]
    strong = [resized(raised(pictures[p.frame], p.x, p.y, side(p)), TILE_PX) for p in places]
    return {
        "rendered": len(frames),
        "frames": len(records),
        "columns": COLUMNS,
        "count": len(shown),
        "plain": webp(sheet(plain)),
        "raised": webp(sheet(strong)),
        "crops": shown,
    }


def side(place: Place) -> int:
    """Return how many pixels of its frame a crop shows, even."""
    return 2 * round(min(max(WIDTHS * place.width_px, LEAST_SIDE_PX), MOST_SIDE_PX) / 2)


def _shadow_entry(table: Table, place: Place) -> dict[str, Any]:
    record = next(iter(table.values()))[place.frame]
    truth = record.frame.truth[place.shadow]
    found = {name: found_scores(records[place.frame]).get(place.shadow) for name, records in table.items()}
    return {
        "place": place,
        "frame": record.frame.name,
        "visibility": round(float(truth["visibility"]), 2),
        "diameter_um": round(float(truth["diameter_um"]), 1),
        "depth": round(float(truth["depth"]), 4),
        "scores": {name: _nine_digits(float(spot["score"])) for name, spot in found.items() if spot is not None},
        "rings": _rings(record, place),
    }


def _nine_digits(score: float) -> float:
    """Return a score to the digits that tell float32 numbers apart: it is compared with thresholds."""
    return float(f"{score:.9g}")


def _alarm_entry(records: Sequence[Record], place: Place, scores: Mapping[str, float]) -> dict[str, Any]:
    record = records[place.frame]
    radius = spot_radius(place.width_px) * TILE_PX / side(place)
    return {
        "place": place,
        "frame": record.frame.name,
        "alarm": round(radius, 1),
        "scores": dict(scores),
        "rings": _rings(record, place),
    }


def _rings(record: Record, place: Place) -> list[list[float]]:
    """Return (x, y, radius, kind) in the crop of each true shadow in it: 2 the one shown, 1 counted, 0 unseen."""
    scale, half = TILE_PX / side(place), side(place) / 2
    rings = []
    for index, truth in enumerate(record.frame.truth):
        # The crop starts at a whole pixel, and a pixel's centre lies half a pixel from its edge.
        x = (float(truth["x"]) + 0.5 - (round(place.x) - half)) * scale
        y = (float(truth["y"]) + 0.5 - (round(place.y) - half)) * scale
        radius = spot_radius(float(truth["fwhm_px"])) * scale
        if -radius < x < TILE_PX + radius and -radius < y < TILE_PX + radius:
            kind = 2 if index == place.shadow else int(truth["counted"])
            rings.append([round(x, 1), round(y, 1), round(radius, 1), kind])
    return rings


def sheet(tiles: Sequence[Tile]) -> NDArray[np.uint8]:
    """Return tiles in rows of `COLUMNS`; an empty sheet is one dark tile."""
    rows = max(1, -(-len(tiles) // COLUMNS))
    whole = np.zeros((rows * TILE_PX, COLUMNS * TILE_PX, 3), dtype=np.uint8)
    for number, tile in enumerate(tiles):
        top, left = number // COLUMNS * TILE_PX, number % COLUMNS * TILE_PX
        whole[top : top + TILE_PX, left : left + TILE_PX] = tile
    return whole


def webp(pixels: NDArray[np.uint8], *, quality: int | None = QUALITY) -> str:
    """Return a picture as the base64 text of a WebP, about two thirds of a JPEG of the same looks; None is lossless."""
    from PIL import Image

    file = io.BytesIO()
    kind = {"lossless": True} if quality is None else {"quality": quality}
    Image.fromarray(pixels).save(file, "WEBP", method=SLOWEST, **kind)
    return base64.b64encode(file.getvalue()).decode()
