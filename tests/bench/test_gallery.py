"""Which crops are kept, how they are cut, and what the run card says of the photographs."""

import base64
import io
import json
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from moteyard.bench.crops import OUTSIDE, raised, square
from moteyard.bench.gallery import (
    COLUMNS,
    LEAST_SIDE_PX,
    MOST_SIDE_PX,
    TILE_PX,
    _shadow_entry,
    gallery,
    sheet,
    side,
    webp,
)
from moteyard.bench.gallery_choice import MOST_FRAMES, Place, alarms_worth, frames_worth, shadows_worth
from moteyard.bench.gallery_file import kept_gallery
from moteyard.bench.rendered import rendered
from moteyard.bench.run_card import run_card
from moteyard.bench.store import FALSE_ALARM, HIT
from moteyard.generators.scene import Scene


def test_frames_with_the_plainest_miss_and_the_strongest_alarm_come_first(make_record):
    records = [make_record([9.0, 8.0], [HIT, HIT], truths=2, block=f"b{number}") for number in range(20)]
    records[13] = make_record([9.0], [HIT], truths=9, block="b13")  # its last shadow, of visibility 9, is missed
    records[17] = make_record([50.0, 9.0, 8.0], [FALSE_ALARM, HIT, HIT], truths=2, block="b17")
    frames = frames_worth(records, threshold=5.0)
    assert set(frames[:2]) == {13, 17}
    assert len(frames) == MOST_FRAMES


def test_misses_are_the_most_visible_and_hits_the_least(make_record):
    records = [make_record([9.0] * 20, [HIT] * 20, truths=40)]
    places = shadows_worth(records, [0], threshold=5.0)
    visibility = [1 + place.shadow for place in places]
    assert visibility[:7] == [40, 39, 38, 37, 36, 35, 34]
    assert visibility[7:12] == [1, 2, 3, 4, 5]
    assert len(set(visibility)) == len(visibility)


def test_neighbouring_false_alarms_of_two_methods_share_a_crop(make_record):
    table = {name: [make_record([score], [FALSE_ALARM], truths=1)] for name, score in (("a", 3.0), ("b", 7.0))}
    alarms = list(alarms_worth(table, [0], "b"))
    assert [(name, score) for name, _, score in alarms] == [("b", 7.0), ("a", 3.0)]
    assert len({place for _, place, _ in alarms}) == 1


def test_scores_of_crops_are_as_fine_as_thresholds(make_record):
    """Below 0.00001 five decimals are none: the score would fall under a threshold that it passed."""
    small = np.float32(1.2345678e-6)
    table = {"m": [make_record([small], [HIT], truths=1)]}
    (place,) = shadows_worth(table["m"], [0], threshold=1e-6)
    assert np.float32(_shadow_entry(table, place)["scores"]["m"]) == small


def test_a_square_at_the_corner_keeps_its_place():
    pixels = np.full((30, 40, 3), 200, dtype=np.uint8)
    pixels[0, 0] = 0
    tile = square(pixels, 0.0, 0.0, 8)
    assert tile.shape == (8, 8, 3)
    assert tile[4, 4].tolist() == [0, 0, 0]
    assert (tile[:4] == OUTSIDE).all()
    assert (tile[5:, 5:] == 200).all()
    assert (raised(pixels, 500.0, 500.0, 8) == OUTSIDE).all()


def test_raised_contrast_makes_two_percent_plain():
    pixels = np.full((40, 40, 3), 150, dtype=np.uint8)
    pixels[15:25, 15:25] = 147
    tile = raised(pixels, 20.0, 20.0, 40).astype(int)
    assert tile[2, 2].mean() - tile[20, 20].mean() > 80


def test_sizes_of_crops_and_sheets():
    assert side(Place(0, 0, 0, 1.0)) == LEAST_SIDE_PX
    assert side(Place(0, 0, 0, 20.0)) == 100
    assert side(Place(0, 0, 0, 1e4)) == MOST_SIDE_PX
    tiles = [np.full((TILE_PX, TILE_PX, 3), value, dtype=np.uint8) for value in range(COLUMNS + 1)]
    whole = sheet(tiles)
    assert whole.shape == (2 * TILE_PX, COLUMNS * TILE_PX, 3)
    assert whole[TILE_PX, 0, 0] == COLUMNS
    assert Image.open(io.BytesIO(base64.b64decode(webp(whole)))).size == (COLUMNS * TILE_PX, 2 * TILE_PX)
    assert sheet([]).shape == (TILE_PX, COLUMNS * TILE_PX, 3)


def test_the_ring_lies_on_the_shadow(small_run):
    """The darkest part of a raised crop of a plain shadow is where the outline says that it is."""
    table, choices = small_run
    entry = next(one for one in gallery(table, "matched", choices) if one["ground"] == "sky" and one["f_number"] == 22)
    whole = np.asarray(Image.open(io.BytesIO(base64.b64decode(entry["raised"]))).convert("L"), dtype=float)
    checked = 0
    for number, crop in enumerate(entry["crops"]):
        if crop.get("visibility", 0) < 5:
            continue
        top, left = number // COLUMNS * TILE_PX, number % COLUMNS * TILE_PX
        tile = whole[top : top + TILE_PX, left : left + TILE_PX]
        (ring,) = (ring for ring in crop["rings"] if ring[3] == 2)
        y, x = np.mgrid[:TILE_PX, :TILE_PX] + 0.5
        inside = np.hypot(x - ring[0], y - ring[1]) < ring[2] / 2
        around = (np.hypot(x - ring[0], y - ring[1]) > 1.3 * ring[2]) & (tile != OUTSIDE)
        assert tile[inside].mean() < np.median(tile[around]) - 15
        checked += 1
    assert checked >= 3


def test_crops_are_kept_until_a_threshold_moves(small_run, tmp_path, monkeypatch):
    table, choices = small_run
    file = tmp_path / "crops.json"
    first = kept_gallery(file, table, "matched", choices)
    written = file.read_bytes()
    calls = []
    monkeypatch.setattr("moteyard.bench.gallery.rendered", lambda row: calls.append(row) or rendered(row))
    assert kept_gallery(file, table, "matched", choices) == json.loads(json.dumps(first))
    assert calls == []
    moved = {"matched": [replace(cell, threshold=cell.threshold + 1) for cell in choices["matched"]]}
    kept_gallery(file, table, "matched", moved)
    assert len(calls) == 16
    assert file.read_bytes() != written
    file.write_text("[]", encoding="utf-8")
    assert len(kept_gallery(file, table, "matched", choices)) == 4


def photograph_recipe(folder, file):
    options = (("folder", str(folder)), ("file", file))
    return Scene(name="p", background="photograph", options=options, seed=(2, 11, 5)).to_json()


def test_the_card_credits_photographs(make_record, tmp_path):
    picture = Image.new("RGB", (8, 8))
    exif = picture.getexif()
    exif[0x013B], exif[0x8298] = "A. Painter", "CC BY 4.0"
    picture.save(tmp_path / "hill.jpg", exif=exif)
    picture.save(tmp_path / "plain.jpg")
    (tmp_path / "CREDITS.md").write_text("all by a friend", encoding="utf-8")
    files = ("hill.jpg", "plain.jpg", "gone.jpg")
    records = [make_record([], [], truths=1, block=file, recipe=photograph_recipe(tmp_path, file)) for file in files]
    card = run_card(
        {"suite": "s", "scenes": ["x"], "fingerprints": {"m": "m-1"}, "command": "moteyard rank"}, {"m": records}
    )
    assert card["pictures"] == [
        "gone.jpg: no longer there, or not readable",
        "hill.jpg: A. Painter, CC BY 4.0",
        "plain.jpg: EXIF names neither author nor licence",
        "CREDITS.md: all by a friend",
    ]
    assert card["seeds"] == "11, namespace report"
    assert card["methods"] == {"m": "m-1"}
    assert "scenes" not in card


def test_the_pixel_digest_is_of_all_frames_in_order(make_record):
    def digest(*pixels):
        records = [make_record([], [], truths=0, block=p, pixels=p, recipe=Scene("n", "sky").to_json()) for p in pixels]
        return run_card({}, {"m": records})["frames"]

    assert digest("a", "b") != digest("b", "a")
    assert digest("a", "b").startswith("2, digest")
    with pytest.raises(KeyError):
        run_card({}, {"m": []})["nothing"]
