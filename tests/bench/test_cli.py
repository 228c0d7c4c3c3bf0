"""What a user may get wrong, and the one sentence that answers."""

import io
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from moteyard.bench.cli import main
from moteyard.bench.sheet import SPECIMENS, _tile
from moteyard.generators.backgrounds import PhotographFolder, Sky
from moteyard.generators.contamination import KINDS

PHOTO = Path(__file__).parent.parent / "photos" / "lake-snow.jpg"


def picture(width, height):
    data = io.BytesIO()
    Image.fromarray(np.full((height, width, 3), 120, np.uint8)).save(data, "PNG")
    return data.getvalue()


def said(capsys):
    printed = capsys.readouterr().err
    lines = [line for line in printed.splitlines() if line.startswith("moteyard: ")]
    assert len(lines) == 1, printed
    assert "Traceback" not in printed
    return lines[0]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["rank", "quik"], "unknown suite 'quik'; did you mean 'quick'?"),
        (["rank", "quick", "--detector", "matchd"], "did you mean 'matched'"),
        (["rank", "quick", "--detector", "gone.py:Mine"], "there is no detector file gone.py"),
        (["rank", "quick", "--photos", "nowhere"], "nowhere"),
        (["threshold", "nowhere"], "nowhere holds no results"),
        (["find", str(PHOTO)], "a threshold is needed: --from RESULT"),
        (["find", str(PHOTO), "--from", "nowhere"], "no chosen threshold at nowhere"),
        (["find", str(PHOTO), "--threshold", "nan"], "--threshold must be a number"),
        (["find", str(PHOTO), "--threshold", "5", "--detector", "dgo"], "did you mean 'dog'"),
        (["find", "gone.jpg", "--threshold", "5"], "gone.jpg"),
    ],
)
def test_one_sentence_and_status_2(words, sentence, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    assert sentence in said(capsys)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.jpg", b""),
        ("cut.jpg", PHOTO.read_bytes()[:20_000]),
        ("words.png", b"these are words and no picture"),
        ("small.png", picture(20, 16)),
    ],
)
def test_pictures_that_cannot_be_used(name, content, capsys, tmp_path):
    (tmp_path / name).write_bytes(content)
    assert main(["find", str(tmp_path / name), "--threshold", "5", "--out", str(tmp_path / "found")]) == 2
    assert name in said(capsys)


@pytest.mark.parametrize("level", [0, 255])
def test_black_and_white_pictures_hold_nothing(level, capsys, tmp_path):
    Image.fromarray(np.full((200, 300, 3), level, np.uint8)).save(tmp_path / "flat.png")
    assert main(["find", str(tmp_path / "flat.png"), "--threshold", "5", "--out", str(tmp_path / "found")]) == 0
    assert "flat.png: 300×200, f-number unknown; 0 spots" in capsys.readouterr().out


def test_nothing_is_ever_replaced(capsys, tmp_path):
    words = ["find", str(PHOTO), "--threshold", "50", "--out", str(tmp_path)]
    before = PHOTO.read_bytes()
    assert main(words) == 0
    assert main(words) == 2
    assert "exists already; choose another --out" in said(capsys)
    assert PHOTO.read_bytes() == before


def test_one_bad_picture_does_not_stop_the_others(capsys, tmp_path):
    (tmp_path / "bad.jpg").write_bytes(b"")
    words = ["find", str(tmp_path / "bad.jpg"), str(PHOTO), "--threshold", "50", "--out", str(tmp_path / "o")]
    assert main(words) == 2
    assert (tmp_path / "o" / "lake-snow.jpg.spots.csv").exists()


def test_two_pictures_of_one_name(capsys, tmp_path):
    (tmp_path / "lake-snow.jpg").write_bytes(PHOTO.read_bytes())
    assert main(["find", str(PHOTO), str(tmp_path / "lake-snow.jpg"), "--threshold", "5"]) == 2
    assert "two photographs are called lake-snow.jpg" in said(capsys)


@pytest.mark.parametrize(
    "words",
    [
        ["rank", "quick", "--workers", "0"],
        ["threshold", "x", "--share", "1"],
        ["threshold", "x", "--at-most", "-1"],
        ["find", "x", "--f-number", "inf"],
        [],
    ],
)
def test_impossible_options(words, capsys):
    with pytest.raises(SystemExit, match="2"):
        main(words)
    assert said(capsys).endswith("--help")


def test_a_small_photograph_as_ground_is_refused_before_the_run(capsys, tmp_path):
    (tmp_path / "small.png").write_bytes(picture(100, 80))
    assert main(["rank", "quick", "--photos", str(tmp_path), "--out", str(tmp_path / "o")]) == 2
    assert "small.png is 100×80, smaller than the suite's frame of 960×640" in said(capsys)


def test_pictures_that_may_carry_dust_are_told_of(capsys, tmp_path):
    suite = (Path(__file__).parent / "tiny.toml").read_text(encoding="utf-8")
    (tmp_path / "tiny.toml").write_text(suite, encoding="utf-8")
    (tmp_path / "clean").mkdir()
    (tmp_path / "clean" / "a.png").write_bytes(picture(400, 300))
    words = ["render", str(tmp_path / "tiny.toml"), "--photos", str(tmp_path / "clean"), "--limit", "1"]
    assert main([*words, "--out", str(tmp_path / "frames")]) == 0
    assert "1 of unknown f-number may show dust of their own" in said(capsys)


def test_a_mask_of_the_wrong_size_is_refused_before_the_run(capsys, tmp_path):
    (tmp_path / "a.png").write_bytes(picture(1000, 800))
    (tmp_path / "a.mask.png").write_bytes(picture(100, 80))
    assert main(["rank", "quick", "--photos", str(tmp_path), "--out", str(tmp_path / "o")]) == 2
    assert "a.mask.png is 100×80 and its picture 1000×800; make the mask anew" in said(capsys)


def test_list_names_everything(capsys):
    assert main(["list"]) == 0
    printed = capsys.readouterr().out
    assert all(
        word in printed for word in ("quick", "standard", "matched", "nothing", "sky", "photograph", "field-day")
    )


def test_the_share_of_a_bar():
    from moteyard.bench.terminal import bar, share

    assert bar(1.0, width=3) == "███"
    assert bar(0.125 / 2, width=2) == "▏ "
    assert [share(v) for v in (0.5, 1.0, math.nan)] == [".500", "1.00", "  – "]


def test_a_contact_sheet(capsys, tmp_path, monkeypatch):
    monkeypatch.setattr("moteyard.bench.sheet.BACKGROUNDS", {"sky": Sky, "photograph": PhotographFolder})
    sheet = tmp_path / "sheet.png"
    assert main(["render", "--sheet", str(sheet)]) == 0
    with Image.open(sheet) as picture:
        pixels = np.asarray(picture.convert("L"))
    assert {thing.kind for thing in SPECIMENS.values()} == set(KINDS)
    # Eight rows of tiles and one background: photographs, which need a folder, are left out.
    assert pixels.shape[0] == 24 + 8 * (18 + 150 + 6) + 18 + 410 + 6
    assert main(["render", "--sheet", str(sheet)]) == 2
    assert "sheet.png exists already" in said(capsys)
    assert main(["render", "--sheet", str(tmp_path / "sheet.pdf")]) == 2
    assert "must end in .png or .jpg, not 'sheet.pdf'" in said(capsys)


def test_every_tile_of_the_sheet_holds_its_kind():
    for name, thing in SPECIMENS.items():
        spread = [np.ptp(_tile(thing, f_number)) for f_number in (8, 32)]
        assert 1 <= spread[0] < spread[1], name
