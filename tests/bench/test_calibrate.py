"""`moteyard calibrate` from a suite to a file that other commands take."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import brier_score_loss

from moteyard.bench import judge
from moteyard.bench.calibrate_command import _seeds_to_fit_on
from moteyard.bench.calibration import fit_grid
from moteyard.bench.calibration_sample import TexturedJob, gather, scenes_apart
from moteyard.bench.cli import main
from moteyard.bench.handover import photograph
from moteyard.bench.judge import Job
from moteyard.bench.store import HIT, IGNORED, open_store
from moteyard.bench.suite_file import load_suite
from moteyard.detectors import load
from moteyard.detectors.calibrated import texture_at
from moteyard.generators.scene import render

TINY = str(Path(__file__).parent / "tiny.toml")
LEARNED = f"{Path(__file__).parent / 'learned_on_develop.py'}:Pupil"
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


def test_a_method_that_learned_from_train_seeds_is_fitted_on_develop_seeds_it_is_not_judged_on():
    suite = load_suite(TINY)
    assert [_seeds_to_fit_on(name, name) for name in ("dog", "network", "together")] == ["train", "develop", "develop"]
    apart, own = (
        {scene.digest: scene for scene in scenes}
        for scenes in (scenes_apart(suite, "develop"), suite.scenes("develop"))
    )
    assert len(apart) == len(own) == 16
    assert not set(apart) & set(own)
    cells = [{scene.name.rsplit("/", 1)[0] for scene in some.values()} for some in (apart, own)]
    assert cells[0] == cells[1]
    assert {scene.seed[0] for scene in apart.values()} == {scene.seed[0] for scene in own.values()}


def test_textures_are_those_of_the_photograph_and_a_frame_is_rendered_once(monkeypatch):
    scene = load_suite(TINY).scene(0, "develop")
    job = TexturedJob(Job(scene.to_json(), "sky", ("dog",), load_suite(TINY).viewing))
    renders = []
    monkeypatch.setattr(judge, "render", lambda one: renders.append(one) or render(one))
    (row, (texture,)), (result,) = job.run()
    assert len(renders) == 1
    np.testing.assert_array_equal(texture, texture_at(photograph(render(scene)), result.spots["x"], result.spots["y"]))
    assert row.scene == scene.digest


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
    # The page shows how well its probabilities hold, over the candidates that the store holds, and dog's not.
    store = open_store(tmp_path / "r")
    rows = [row.spots for row in store.results() if row.detector == "p-dog"]
    store.close()
    spots = np.concatenate(rows)
    counting = spots[spots["kind"] != IGNORED]
    brier = brier_score_loss(counting["kind"] == HIT, counting["score"])
    page = (tmp_path / "r" / "report.html").read_text(encoding="utf-8")
    assert page.count("Do stated probabilities hold?") == 1
    assert f'<th scope="row">all</th><td>{len(counting)}</td><td>{brier:.4f}</td>' in page
    assert (tmp_path / "r" / "reliability-p-dog.svg").is_file()
    assert not (tmp_path / "r" / "reliability-dog.png").exists()


def test_the_wrapper_and_the_judgement_agree(made):
    suite = replace(load_suite(TINY), frames=1)
    raw, mapped = (gather(suite, spec, list(suite.scenes("develop")), workers=1) for spec in ("dog", str(made)))
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
        (["--detector", LEARNED], "pupil was taught on develop seeds, on which calibrations are judged; its scores"),
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
