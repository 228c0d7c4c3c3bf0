"""Kinds of errors, on frames drawn by hand."""

import numpy as np
import pytest

from moteyard.bench.cells import Record
from moteyard.bench.error_types import KINDS, Errors, errors, frame_errors, recall_by_visibility
from moteyard.bench.errors_command import error_frame, error_lines, visibility_lines
from moteyard.bench.judge import judged
from moteyard.bench.store import TRUTH_TYPE, FrameRow, ResultRow
from moteyard.detectors.contract import Spots

THRESHOLD = 5.0


def record(truths, spots, counted=None):
    """Shadows (x, fwhm) and candidates (x, diameter, score), all on one line; the gate is half the fwhm."""
    truth = np.zeros(len(truths), dtype=TRUTH_TYPE)
    truth["x"], truth["fwhm_px"] = np.array(truths, dtype=float).reshape(-1, 2).T
    truth["counted"] = True if counted is None else counted
    x, diameter, score = np.array(spots, dtype=float).reshape(-1, 3).T
    answer = judged(Spots(x=x, y=np.zeros(len(x)), diameter_px=diameter, score=score), truth)
    frame = FrameRow("s", "sky/f16/000", "sky", 16.0, "b", 1.0, "", "", 0.01, 0.1, truth)
    return Record(frame, ResultRow("s", "m", "m-1-abc", None, 0.1, 0.1, answer))


def named(*arguments, **options):
    counts = frame_errors(record(*arguments, **options), THRESHOLD)
    assert counts.matched + counts.swallowed + counts.offset + counts.missed == counts.truths
    return {kind: getattr(counts, kind) for kind in ("matched", *KINDS) if getattr(counts, kind)}


@pytest.mark.parametrize(
    ("truths", "spots", "expected"),
    [
        ([(100, 10)], [(103, 10, 9)], {"matched": 1}),
        ([(100, 10)], [(103, 10, 4)], {"missed": 1}),  # below the threshold
        ([(100, 10), (120, 10)], [(110, 24, 9)], {"merged": 1}),  # centre outside both gates, both inside it
        ([(100, 10)], [(112, 10, 9)], {"offset": 1}),  # 12 px, gate 5, three gates 15
        ([(100, 10)], [(116, 10, 9)], {"background": 1, "missed": 1}),
        ([(100, 10)], [(100, 10, 9), (102, 10, 8)], {"matched": 1, "duplicate": 1}),
        ([(100, 10)], [(100, 10, 9), (108, 10, 8)], {"matched": 1, "background": 1}),  # nothing is missed there
        ([(100, 10)], [(108, 10, 9), (110, 10, 8)], {"offset": 1, "background": 1}),  # a miss answers once
        ([(100, 10), (111, 10)], [(100, 10, 9), (104, 10, 8)], {"matched": 1, "offset": 1}),
        ([(100, 10), (120, 10)], [(110, 24, 9), (112, 4, 8)], {"merged": 1, "background": 1}),  # merged before offset
        ([], [(10, 10, 9)], {"background": 1}),
        ([(100, 10)], [], {"missed": 1}),
        ([], [], {}),
    ],
)
def test_names(truths, spots, expected):
    assert named(truths, spots) == expected


def test_what_nobody_sees_is_no_error():
    assert named([(100, 10)], [(100, 10, 9)], counted=[False]) == {}
    assert named([(100, 10), (120, 10)], [(110, 24, 9)], counted=[True, False]) == {"offset": 1}


def test_gains_by_hand():
    # P = 8/10, R = 8/12: F1 = 16/22. With the duplicate gone 16/21, with all four misses found 24/26.
    counts = Errors(truths=12, matched=8, duplicate=1, background=1)
    assert counts.f1 == pytest.approx(0.727273, abs=1e-6)
    assert counts.gain("duplicate") == pytest.approx(16 / 21 - 16 / 22)
    assert counts.gain("missed") == pytest.approx(24 / 26 - 16 / 22)
    assert counts.gain("merged") == 0
    # A merged candidate over two: one false alarm less, two hits more.
    two = Errors(truths=4, matched=2, merged=1, swallowed=2)
    assert two.gain("merged") == pytest.approx(1 - 4 / 7)


def test_counts_agree_with_the_bench_on_random_frames():
    """The kinds part the false alarms and the misses that the one-to-one rule leaves, none twice."""
    rng = np.random.default_rng(3)
    for _ in range(50):
        truths = np.column_stack([rng.uniform(0, 300, 12), rng.uniform(4, 30, 12)])
        spots = np.column_stack([rng.uniform(0, 300, 20), rng.uniform(4, 60, 20), rng.uniform(3, 9, 20)])
        frame = record(truths, spots)
        counts = frame_errors(frame, THRESHOLD)
        above = frame.score > THRESHOLD
        assert counts.matched == frame.hit[above].sum()
        assert counts.false_alarms == (~frame.hit[above]).sum()
        assert min(counts.missed, *(getattr(counts, kind) for kind in KINDS)) >= 0
        assert all(counts.gain(kind) >= 0 for kind in KINDS)


def test_frames_add_up_and_fit_the_terminal():
    frames = [record([(100, 10)], [(103, 10, 9)]), record([(100, 10)], [(112, 10, 9)])]
    total = errors(frames, {("sky", 16.0): THRESHOLD})
    assert (total.truths, total.matched, total.offset) == (2, 1, 1)
    cells = {("sky", None): total, ("sky", 16.0): total}
    assert max(map(len, error_lines(cells, "matched"))) <= 80
    assert error_frame(cells, "matched")["f1_gain_offset"].tolist() == [0.5, 0.5]


def test_recall_by_visibility():
    frame = record([(100, 10), (200, 10), (300, 10)], [(100, 10, 9), (200, 10, 9)])
    frame.frame.truth["visibility"] = (0.5, 1.0, 40)
    seen = recall_by_visibility({"m": [frame]}, "m", {("sky", 16.0): THRESHOLD})
    assert [(level.shadows, level.found) for level in seen["sky"]] == [(1, 1), (1, 1), (0, 0), (0, 0), (1, 0)]
    assert max(map(len, visibility_lines(seen))) <= 80
    assert visibility_lines(seen)[-1].split() == ["sky", "1.00", "/1", "1.00", "/1", "–", "/0", "–", "/0", ".000", "/1"]
