"""The wrapper that makes scores probabilities, and its file."""

import json
from dataclasses import replace

import numpy as np
import pytest

from moteyard.detectors import DetectorError, fingerprint, load
from moteyard.detectors.calibrated import (
    Calibrated,
    Calibration,
    CalibrationError,
    Map,
    read_calibration,
    texture_at,
    write_calibration,
)
from moteyard.detectors.contract_checks import CHECKS
from moteyard.detectors.contract_frames import frame, sky

LOW, HIGH = Map((0.0, 10.0), (0.0, 0.5)), Map((0.0, 10.0), (0.4, 1.0))


def made(**changed):
    dog = load("dog")
    plain = Calibration(
        detector="dog",
        name="dog",
        fingerprint=fingerprint(dog),
        suite="quick version 2",
        seeds="train",
        frames=48,
        log2_f_numbers=(3.0, 4.0),
        log_textures=(-3.0,),
        maps=((LOW,), (HIGH,)),
    )
    return replace(plain, **changed)


def written(tmp_path, **changed):
    path = tmp_path / "dog.json"
    write_calibration(made(**changed), path)
    return path


def test_maps_are_mixed_by_aperture():
    def at(f_number, score=5.0):
        return made().probability(np.array([score]), f_number=f_number, texture=np.array([0.1]))[0]

    # half way up: 0.25 and 0.7; f/8 and wider the first line, f/16 and narrower the second, f/11 (3.459 stops) between
    assert (at(8.0), at(4.0), at(16.0), at(22.0)) == pytest.approx((0.25, 0.25, 0.7, 0.7))
    assert at(11.0) == pytest.approx(0.25 + 0.45 * 0.4594, abs=1e-4)
    assert at(None) == pytest.approx((0.25 + 0.7) / 2)
    assert (at(8.0, -9), at(16.0, 99)) == (0, 1)


def test_maps_are_mixed_by_texture():
    grid = made(log2_f_numbers=(3.0,), log_textures=(-4.0, -2.0), maps=((HIGH, LOW),))
    texture = np.exp([-9, -4, -3, -2, 0])
    found = grid.probability(np.full(5, 5.0), f_number=8.0, texture=texture)
    assert found == pytest.approx([0.7, 0.7, 0.475, 0.25, 0.25])
    assert grid.probability(np.array([5.0]), f_number=8.0, texture=np.zeros(1)) == pytest.approx([0.7])  # black


def test_places_stay_and_scores_become_probabilities(tmp_path):
    plain, wrapped = load("dog"), load(str(written(tmp_path)))
    shot = frame(sky(), f_number=11.0)
    (before,), (after,) = plain.detect([shot]), wrapped.detect([shot])
    for name in ("x", "y", "diameter_px"):
        np.testing.assert_array_equal(getattr(before, name), getattr(after, name))
    expected = made().probability(before.score, f_number=11.0, texture=texture_at(shot, before.x, before.y))
    assert after.score == pytest.approx(expected, abs=1e-6)
    assert wrapped.name == "p-dog"


@pytest.mark.parametrize("check", CHECKS)
def test_a_wrapped_detector_keeps_the_contract(check):
    # a straight line keeps the order
    line = Map((0.0, 1000.0), (0.0, 1.0))
    calibration = made(log2_f_numbers=(3.0,), maps=((line,),))
    CHECKS[check].run(lambda: Calibrated(load("dog"), calibration))


def test_fingerprint_follows_maps_and_the_wrapped_code(tmp_path):
    one = fingerprint(load(str(written(tmp_path))))
    other = fingerprint(Calibrated(load("dog"), made(maps=((LOW,), (LOW,)))))
    assert one.split("-")[:2] == ["p", "dog"]
    assert one != other
    assert fingerprint(Calibrated(load("log"), made())) != fingerprint(Calibrated(load("dog"), made()))


def test_another_code_is_refused(tmp_path):
    path = written(tmp_path, fingerprint="dog-1-000000000000")
    with pytest.raises(DetectorError, match=r"was fitted for dog-1-0{12}, and dog is dog-1-.*: fit it anew"):
        load(str(path))


@pytest.mark.parametrize("seeds", ["report", "test", ""])
def test_other_seeds_are_refused(tmp_path, seeds):
    with pytest.raises(
        DetectorError, match=f"was fitted on '{seeds}' seeds; only 'train' and 'develop' may be fitted on"
    ):
        load(str(written(tmp_path, seeds=seeds)))


def spoil(path, **changed):
    path.write_text(json.dumps(json.loads(path.read_text()) | changed))


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"format": 2}, "its format is not 1"),
        ({"maps": [[{"score": [1, 1], "probability": [0, 1]}]] * 2}, "scores that ascend"),
        ({"maps": [[{"score": [1, 2], "probability": [1, 0]}]] * 2}, "never descend"),
        ({"maps": [[{"score": [1, 2], "probability": [0, 1.5]}]] * 2}, r"probabilities in 0…1"),
        ({"maps": [[{"score": [], "probability": []}]] * 2}, "scores that ascend"),
        ({"maps": [[]]}, "do not fill its grid"),
        ({"extra": 1}, "extra"),
    ],
)
def test_a_spoilt_file_is_named(tmp_path, changed, message):
    path = written(tmp_path)
    spoil(path, **changed)
    with pytest.raises(CalibrationError, match=rf"dog\.json is no calibration \(.*{message}"):
        read_calibration(path)


@pytest.mark.parametrize("content", [b"", b"[]", b"\xff\xfe", b'{"format": 1}'])
def test_what_is_no_calibration(tmp_path, content):
    path = tmp_path / "x.json"
    path.write_bytes(content)
    with pytest.raises(DetectorError, match=r"x\.json is no calibration"):
        load(str(path))


def test_a_file_that_is_missing_and_one_that_is_there(tmp_path):
    with pytest.raises(
        DetectorError, match=r"there is no calibration file gone\.json; make one with: moteyard calibrate"
    ):
        load("gone.json")
    path = written(tmp_path)
    with pytest.raises(FileExistsError, match=r"dog\.json"):
        write_calibration(made(), path)
    assert read_calibration(path) == made()


def test_what_the_wrapped_detector_was_taught_on_is_still_said():
    network = load("network")
    assert Calibrated(network, made()).card == network.card
    # Fitted on develop seeds, it has learned from them too.
    assert Calibrated(network, replace(made(), seeds="develop")).card["namespaces"] == ["train", "develop"]
    assert network.card["namespaces"] == ["train"]
    assert Calibrated(load("dog"), made()).card is None
