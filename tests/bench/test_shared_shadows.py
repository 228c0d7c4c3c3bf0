"""Rendered photographs that share dust or don't: what the check says of them."""

import csv
import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from moteyard.bench.cli import main
from moteyard.bench.field.contact_sheet import TILE_PX, crop
from moteyard.bench.field.likeness import alike, thumbnail
from moteyard.bench.field.shared_shadows import look_at, shared_in
from moteyard.detectors.contract import Photograph
from moteyard.detectors.registry import load
from moteyard.generators.photo_io import list_pictures

_spec = importlib.util.spec_from_file_location("yard_photos", Path(__file__).parent / "yard_photos.py")
yard = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(yard)


def places_of(folder):
    looks = [look_at(path, load("matched")) for path in list_pictures(folder)]
    return shared_in(looks, size=(yard.WIDTH, yard.HEIGHT))


def hits(places, dust):
    return sum(any(math.hypot(p.x - x, p.y - y) < 4 for p in places) for x, y, _ in dust)


@pytest.fixture(scope="module")
def dusty(tmp_path_factory):
    """Six photographs on three grounds, held in four ways, with six grains in common."""
    rng = np.random.default_rng(110)
    dust = yard.shared_dust(6, rng)
    folder = yard.folder_of_photos(tmp_path_factory.mktemp("dusty"), 6, dust, rng, orientations=(1, 6, 8, 3))
    return folder, dust


def test_shared_dust_is_found_and_nothing_else(dusty):
    folder, dust = dusty
    places = places_of(folder)
    assert hits(places, dust) >= 5
    assert len(places) == hits(places, dust)


def test_clean_photographs_share_nothing(tmp_path):
    # Every one has two grains of its own. Over three folders at most 0.15 places are to be expected.
    found = []
    for number in range(3):
        rng = np.random.default_rng(200 + number)
        found += places_of(yard.folder_of_photos(tmp_path / str(number), 5, [], rng))
    assert found == []


def test_the_command_writes_table_sheet_and_masks(dusty, tmp_path, capsys):
    folder, dust = dusty
    out = tmp_path / "checked"
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert main(["check-photos", str(folder), "--out", str(out)]) == 0
    assert "6 pictures compared" in capsys.readouterr().out
    with (out / "shared.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) >= 5
    assert all(float(row["expected_by_chance"]) <= 0.05 for row in rows)
    assert all(len(row["names"].split(";")) == int(row["pictures"]) for row in rows)
    with Image.open(out / "shared.jpg") as sheet:
        assert sheet.height > len(rows) * TILE_PX
    # The mask is turned like the picture: as the sensor lay, all masks are the same.
    masks = []
    for number, orientation in enumerate((1, 6, 8, 3, 1, 6)):
        mask = np.asarray(Image.open(out / f"{number}.jpg.mask.png"))
        masks.append(yard.turned_back(mask, orientation))
    assert all(mask.shape == (yard.HEIGHT, yard.WIDTH) for mask in masks)
    assert all(np.mean(mask != masks[0]) < 1e-3 for mask in masks)
    assert sum(masks[0][round(y), round(x)] == 255 for x, y, _ in dust) >= 5
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert main(["check-photos", str(folder), "--out", str(out)]) == 2
    assert "exists already; choose another --out" in capsys.readouterr().err


def test_masks_beside_the_pictures_settle_it(dusty, tmp_path, capsys):
    folder, _ = dusty
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    assert main(["check-photos", str(tmp_path), "--out", str(tmp_path / "out")]) == 0
    for mask in (tmp_path / "out").glob("*.mask.png"):
        mask.rename(tmp_path / mask.name)
    capsys.readouterr()
    assert main(["check-photos", str(tmp_path), "--out", str(tmp_path / "again")]) == 0
    assert "none of their shadows is shared" in capsys.readouterr().out
    assert not (tmp_path / "again").exists()


def test_the_same_scene_and_another_shape_are_left_out(dusty, tmp_path, capsys):
    folder, _ = dusty
    for name in ("2.jpg", "5.jpg"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    (tmp_path / "twin.jpg").write_bytes((folder / "2.jpg").read_bytes())
    with Image.open(folder / "1.jpg") as picture:
        picture.crop((0, 0, 300, 300)).save(tmp_path / "square.jpg")
    (tmp_path / "bad.jpg").write_bytes(b"")
    assert main(["check-photos", str(tmp_path), "--out", str(tmp_path / "out")]) == 2
    printed = capsys.readouterr()
    assert "2 pictures compared" in printed.out
    assert "twin.jpg is left out: it shows the same scene as 2.jpg" in printed.err
    assert "square.jpg is left out: 300×300 as stored is another shape" in printed.err
    assert "bad.jpg is empty" in printed.err


@pytest.mark.parametrize("pictures", [0, 1])
def test_too_few_pictures(dusty, tmp_path, capsys, pictures):
    for name in ("0.jpg",)[:pictures]:
        (tmp_path / name).write_bytes((dusty[0] / name).read_bytes())
    assert main(["check-photos", str(tmp_path)]) == 2
    assert f"holds {pictures} pictures (JPEG, PNG, TIFF or HEIC); at least two are needed" in capsys.readouterr().err


def test_two_clear_skies_with_one_dirt_are_not_one_scene():
    from moteyard.generators.transfer import encode

    rng = np.random.default_rng(8)
    dust = yard.shared_dust(8, rng)
    thumbs = []
    for _ in range(2):
        light = yard.make("sky", {"kind": "clear"}).paint((yard.HEIGHT, yard.WIDTH), rng)
        for x, y, diameter in dust:
            yard.shade(light, yard.cast(diameter, yard.Optics(f_number=16), x=x, y=y))
        thumbs.append(thumbnail(Photograph(encode(light, bits=8, encoding="srgb")), 1))
    assert not alike(*thumbs)


def test_a_crop_is_centred_on_its_place_and_padded_at_the_border():
    pixels = np.full((100, 120, 3), 200, np.uint8)
    pixels[48:53, 68:73] = 150
    tile = crop(pixels, 70.0, 50.0, 40)
    rows, columns = np.nonzero(tile[..., 1] < 60)
    assert (rows.mean(), columns.mean()) == pytest.approx((TILE_PX / 2, TILE_PX / 2), abs=2)
    assert np.abs(crop(pixels, 0.0, 0.0, 40)[: TILE_PX // 2 - 6].astype(int) - 40).max() <= 1
