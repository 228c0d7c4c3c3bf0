"""`moteyard find --roll` on files, and what a user may get wrong with it."""

import csv
import io

import numpy as np
import pytest
from PIL import Image

from moteyard.bench.cli import main
from moteyard.bench.field.roll_find import default_threshold

DUST = ((70, 60), (150, 40), (120, 100))
HEIGHT, WIDTH = 140, 220


def picture(seed, *, height=HEIGHT, width=WIDTH):
    """Grey under noise with round shadows in the same places, as JPEG."""
    y, x = np.indices((height, width))
    light = 0.3 * np.exp(np.random.default_rng(seed).normal(0, 0.05, (height, width)))
    for column, row in DUST:
        light *= 1 - 0.2 * np.clip((7.4 - np.hypot(x - column, y - row)) / 3 + 0.5, 0, 1)
    codes = np.rint(255 * light ** (1 / 2.2)).astype(np.uint8)
    data = io.BytesIO()
    Image.fromarray(np.repeat(codes[..., None], 3, axis=2)).save(data, "JPEG", quality=95)
    return data.getvalue()


@pytest.fixture
def files(tmp_path):
    paths = [tmp_path / f"p{number}.jpg" for number in range(4)]
    for number, path in enumerate(paths):
        path.write_bytes(picture(number))
    return [str(path) for path in paths]


def test_a_roll_of_files(files, tmp_path, capsys):
    out = tmp_path / "found"
    assert main(["find", *files, "--roll", "--f-number", "11", "--out", str(out)]) == 0
    with (out / "roll.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    places = {(round(float(row["x"]) / 5), round(float(row["y"]) / 5)) for row in rows}
    assert places == {(x // 5, y // 5) for x, y in DUST}
    assert {(row["first"], row["last"]) for row in rows} == {("p0.jpg", "p3.jpg")}
    strongest = rows[0]
    parts = sum(float(strongest[f"p{number}.jpg"]) for number in range(4))
    assert parts == pytest.approx(float(strongest["evidence"]), abs=0.05)
    for number in range(4):
        spots = (out / f"p{number}.jpg.spots.csv").read_text(encoding="utf-8").splitlines()
        assert len(spots) == 1 + len(DUST)
        assert np.asarray(Image.open(out / f"p{number}.jpg.mask.png")).max() == 255
        assert (out / f"p{number}.jpg.marked.jpg").exists()
    printed = capsys.readouterr().out
    assert "4 photographs of 220×140: 3 grains" in printed
    assert "note: 4 photographs with different scenes are few" in printed


def test_nothing_is_replaced(files, tmp_path, capsys):
    words = ["find", *files, "--roll", "--out", str(tmp_path / "found")]
    assert main(words) == 0
    assert main(words) == 2
    assert "exists already; choose another --out" in capsys.readouterr().err


def test_photographs_of_two_sizes(files, tmp_path, capsys):
    upright = tmp_path / "upright.jpg"
    upright.write_bytes(picture(9, height=WIDTH, width=HEIGHT))
    assert main(["find", *files, str(upright), "--roll", "--out", str(tmp_path / "found")]) == 2
    said = capsys.readouterr().err
    assert "upright.jpg is 140×220 but" in said
    assert "look at upright and level photographs in two calls" in said
    assert not (tmp_path / "found").exists()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--from", "results"], "--roll has a method of its own"),
        (["--threshold", "5", "--detector", "dog"], "--roll has a method of its own"),
        (["--threshold", "nan"], "--threshold must be a number, not nan"),
    ],
)
def test_options_that_do_not_go_together(files, words, sentence, capsys, tmp_path):
    assert main(["find", *files, "--roll", "--out", str(tmp_path / "found"), *words]) == 2
    assert sentence in capsys.readouterr().err


def test_larger_photographs_need_more_evidence():
    # e times the pixels, e times the places to be wrong about: one more in the natural logarithm
    assert default_threshold(np.e) - default_threshold(1.0) == pytest.approx(1.0)
