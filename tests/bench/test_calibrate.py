"""`moteyard calibrate` from a suite to a file that other commands take."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from moteyard.bench.calibration import fit_grid
from moteyard.bench.calibration_sample import gather
from moteyard.bench.cli import main
from moteyard.bench.suite_file import load_suite
from moteyard.detectors import load

TINY = str(Path(__file__).parent / "tiny.toml")
PHOTO = Path(__file__).parent.parent / "photos" / "lake-snow.jpg"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("calibrated")
    file = folder / "dog.json"
    assert main(["calibrate", TINY, "--detector", "dog", "--out", str(file), "--workers", "1"]) == 0
    return file


def test_the_card_says_what_it_was_fitted_on(made):
    card = json.loads(made.read_text())
    assert {key: card[key] for key in ("detector", "suite", "seeds", "frames")} == {
        "detector": "dog",
        "suite": "tiny version 1",
        "seeds": "train",
        "frames": 16,
    }
    assert made.stat().st_size < 20_000
    assert made.with_suffix(".png").read_bytes()[:4] == b"\x89PNG"


def test_seeds_are_apart():
    suite = load_suite(TINY)
    scenes = [{scene.digest for scene in suite.scenes(name)} for name in ("train", "develop", "report")]
    assert len(set.union(*scenes)) == 3 * 16


def test_the_file_is_a_detector_for_find(made, tmp_path, capsys):
    words = ["find", str(PHOTO), "--detector", str(made), "--threshold", "0.02", "--out", str(tmp_path)]
    assert main(words) == 0
    with (tmp_path / "lake-snow.jpg.spots.csv").open() as file:
        scores = [float(row["score"]) for row in csv.DictReader(file)]
    assert all(0.01 <= score <= 1 for score in scores)
    assert "lake-snow.jpg" in capsys.readouterr().out


def test_the_file_is_a_detector_for_rank(made, tmp_path, capsys):
    words = ["rank", TINY, "--detector", str(made), "--detector", "dog", "--out", str(tmp_path / "r"), "--workers", "1"]
    assert main(words) == 0
    assert "p-dog" in capsys.readouterr().out


def test_the_wrapper_and_the_judgement_agree(made):
    suite = replace(load_suite(TINY), frames=1)
    raw, mapped = (gather(suite, spec, "develop", workers=1) for spec in ("dog", str(made)))
    calibration = load(str(made)).calibration
    grid = fit_grid(raw.sample, by_aperture=False, by_texture=False)
    grid = type(grid)(calibration.log2_f_numbers, calibration.log_textures, calibration.maps)
    assert raw.frames == mapped.frames == 4
    assert sorted(mapped.sample.score) == pytest.approx(sorted(grid.probability(raw.sample)), abs=1e-6)
    assert np.count_nonzero(raw.sample.hit) <= raw.truths


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--detector", "nothing"], "nothing found none of"),
        (["--detector", "x.json"], "x.json is a calibration already; name the detector that it wraps"),
        (["--detector", "dgo"], "did you mean 'dog'"),
        (["--detector", "network"], "network was taught on train seeds, on which calibrations are fitted; its scores"),
        (["--detector", "together"], "together was taught on train seeds, on which calibrations are fitted; its"),
        (["--detector", "dog", "--out", "x.txt"], "a calibration's file must end in .json, not 'x.txt'"),
        (["--detector", "dog", "--out", "there.json"], "there.json exists already; choose another --out"),
    ],
)
def test_one_sentence_and_status_2(words, sentence, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.json").write_text("mine")
    assert main(["calibrate", TINY, "--workers", "1", *words]) == 2
    assert sentence in capsys.readouterr().err
    assert (tmp_path / "there.json").read_text() == "mine"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_detector_that_fails_is_said(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    spec = f"{Path(__file__).parent / 'hostile.py'}:Raises"
    assert main(["calibrate", TINY, "--detector", spec, "--workers", "1"]) == 1
    assert "FAILED  raises on 16 frames: RuntimeError: the lamp is broken" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
