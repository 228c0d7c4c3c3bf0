"""The ideal observer's rows against what is written of it in closed form."""

import dataclasses

import numpy as np
import pytest
from scipy.stats import norm

from moteyard.bench.ceiling import FLOOR, ceiling, places
from moteyard.bench.cells import Record, pooled_curve
from moteyard.bench.store import FALSE_ALARM, HIT, IGNORED, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow
from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.scene import Scene

SCENE = Scene("one", "sky", camera=Camera(width_px=600, height_px=400), optics=Optics(f_number=8))


def frames(count, detectability, counted=True):
    truth = np.zeros(len(detectability), dtype=TRUTH_TYPE)
    truth["detectability"], truth["counted"] = detectability, counted
    empty = np.zeros(0, dtype=SPOT_TYPE)
    for number in range(count):
        row = FrameRow(f"{number:016x}", f"n{number}", "sky", 8.0, f"b{number}", 0.24, "", SCENE.to_json(), 0, 0, truth)
        yield Record(row, ResultRow(row.scene, "x", "x", None, 0, 0, empty))


def test_places_are_shadows_side_by_side():
    # d/N = 1000/8 µm = 125 µm = 20.83 pixels of 6 µm.
    assert places(SCENE) == round(600 * 400 / (125 / 6) ** 2)


def test_false_alarms_are_those_of_a_unit_normal():
    records = ceiling(list(frames(400, [])))
    scores = np.concatenate([record.score for record in records])
    expected = 400 * places(SCENE) * norm.sf(FLOOR)
    assert len(scores) == pytest.approx(expected, rel=0.05)
    assert (scores > 3).sum() == pytest.approx(400 * places(SCENE) * norm.sf(3), rel=0.15)


def test_share_of_hits_at_a_threshold_is_that_of_the_shifted_normal():
    # P(d′ + z > t) = Φ(d′ − t).
    records = ceiling(list(frames(300, [3.0] * 10)))
    hits = np.concatenate([record.score[record.hit] for record in records])
    assert (hits > 3.5).mean() * len(hits) / 3000 == pytest.approx(norm.cdf(-0.5), abs=0.03)


def test_auc_of_hits_against_noise_is_phi_of_d_over_root_two():
    # Green & Swets 1966 (from memory): area under the ROC = Φ(d′/√2).
    rng = np.random.default_rng(0)
    d = 1.5
    signal, noise = d + rng.standard_normal(4000), rng.standard_normal(4000)
    assert np.mean(signal[:, None] > noise[None, :]) == pytest.approx(norm.cdf(d / np.sqrt(2)), abs=0.01)
    records = ceiling(list(frames(300, [d + 3] * 10)))
    hits = np.concatenate([record.score[record.hit] for record in records])
    assert hits.mean() == pytest.approx(d + 3, abs=0.05)
    assert hits.std() == pytest.approx(1, abs=0.05)


def test_plain_shadows_are_found_and_hidden_ones_are_not():
    plain, hidden = (pooled_curve(ceiling(list(frames(30, [d] * 10)))).average_precision() for d in (20.0, 0.1))
    assert plain == pytest.approx(1.0, abs=1e-6)
    assert hidden < 0.1


def test_what_nobody_would_see_is_ignored():
    record = ceiling(list(frames(1, [30.0], counted=False)))[0]
    assert record.result.spots["kind"][0] == IGNORED
    assert HIT not in record.result.spots["kind"]
    assert set(record.result.spots["kind"][1:].tolist()) <= {FALSE_ALARM}


def test_the_same_frames_give_the_same_rows_in_any_order():
    records = list(frames(5, [3.0, 4.0]))
    forward = [record.result.spots.tobytes() for record in ceiling(records)]
    backward = [record.result.spots.tobytes() for record in ceiling(records[::-1])]
    assert forward == backward[::-1]
    other = [dataclasses.replace(record, frame=dataclasses.replace(record.frame, scene="f" * 16)) for record in records]
    assert ceiling(other)[0].result.spots.tobytes() != forward[0]
