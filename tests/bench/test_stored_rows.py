"""Candidates that stay on disk: the same as those in the store, in memory that their number doesn't move."""

import tracemalloc

import numpy as np
import pytest

from moteyard.bench import stored_rows
from moteyard.bench.cells import Record, load_table, pooled_curve
from moteyard.bench.curve import curve
from moteyard.bench.errors import YardError
from moteyard.bench.interval import bootstrap_weights
from moteyard.bench.pooled_hits import pool
from moteyard.bench.store import FALSE_ALARM, HIT, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow, Store

CANDIDATES = 10_000
"""A frame; 210 kB."""


def _filled(path, frames):
    """Return a store of frames with one shadow and many candidates each, drawn anew for each frame."""
    store = Store(path)
    for number in range(frames):
        scene = f"{number:016x}"
        spots = np.zeros(CANDIDATES, dtype=SPOT_TYPE)
        spots["score"] = np.sort(np.random.default_rng(number).random(CANDIDATES))[::-1]
        spots["kind"] = FALSE_ALARM
        spots["kind"][number % 7] = HIT
        truth = np.zeros(1, dtype=TRUTH_TYPE)
        truth["counted"] = True
        frame = FrameRow(scene, scene, "sky", 8.0, scene, 1.0, scene, "{}", 0.1, 0.1, truth)
        rows = [ResultRow(scene, "m", "m-1", None, 0.5, 0.5, spots)]
        store.add(frame, [*rows, ResultRow(scene, "n", "n-1", "no", 0.5, 0.5, spots[:0])] if number < 2 else rows)
    return store, [f"{number:016x}" for number in range(frames)]


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    store, scenes = _filled(tmp_path_factory.mktemp("rows") / "run.sqlite", 120)
    yield store, scenes
    store.close()


def _peak(store, scenes):
    tracemalloc.start()
    table, _ = load_table(store, scenes, {"m": "m-1"})
    found = sum(int((record.score[record.hit] > 0.999).sum()) for _ in range(2) for record in table["m"])
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert 0 < found <= 2 * len(scenes)
    return peak


def test_memory_does_not_grow_with_the_number_of_frames(filled, monkeypatch):
    """All candidates together take 25 MB. What is left for a frame more is its labels and the rows' keys."""
    monkeypatch.setattr(stored_rows, "ROOM", 1_000_000)
    store, scenes = filled
    few, many = _peak(store, scenes[:30]), _peak(store, scenes)
    assert few > 1_000_000
    assert many - few < 90 * 10_000


def test_they_are_what_the_store_holds_however_little_is_kept(filled, monkeypatch):
    store, scenes = filled
    rows = {row.scene: row for row in store.results() if row.detector == "m"}
    frames = {row.scene: row for row in store.frames()}
    monkeypatch.setattr(stored_rows, "ROOM", 0)
    table, failures = load_table(store, scenes, {"m": "m-1", "n": "n-1"})
    assert [(row.detector, row.problem) for row in failures] == [("n", "no")] * 2
    for record in table["m"]:
        held = Record(frames[record.frame.scene], rows[record.frame.scene])
        np.testing.assert_array_equal(record.score, held.score)
        np.testing.assert_array_equal(record.hit, held.hit)
        assert record.result.cpu_s == held.result.cpu_s


def test_a_table_outlives_the_store_it_is_of(tmp_path):
    store, scenes = _filled(tmp_path / "run.sqlite", 3)
    table, _ = load_table(store, scenes, {"m": "m-1"})
    store.close()
    counts = pooled_curve(table["m"])
    assert counts.hits[-1] == 3
    assert counts.false_alarms[-1] == 3 * CANDIDATES - 3
    del table
    assert [file.name for file in tmp_path.iterdir()] == ["run.sqlite"]  # the last to leave takes the log away


def test_rows_that_vanish_are_one_sentence(tmp_path):
    store, scenes = _filled(tmp_path / "run.sqlite", 1)
    table, _ = load_table(store, scenes, {"m": "m-1"})
    with store._change():
        store._db.execute("DELETE FROM result")
    with pytest.raises(YardError, match="lost rows while they were read; run the same command again"):
        pooled_curve(table["m"])
    store.close()


def test_few_replicates_at_a_time_are_the_same_numbers(monkeypatch):
    """A large run is cut into portions; each replicate is what it is among all, and of weights 1 the curve's own."""
    rng = np.random.default_rng(3)
    score, hit = rng.normal(size=4000), rng.random(4000) < 0.3
    block = rng.integers(40, size=4000)
    hits = pool(score, hit, block, truths=np.bincount(block, minlength=40))
    weights = np.vstack([np.ones(40), bootstrap_weights(40, 60, rng=rng)])
    together = hits.average_precision(weights)
    monkeypatch.setattr("moteyard.bench.pooled_hits.NUMBERS_AT_ONCE", 7 * hits.new_hits.shape[0])
    assert len(hits._portions(weights)) == 9
    np.testing.assert_array_equal(hits.average_precision(weights), together)
    assert together[0] == pytest.approx(curve(score, hit, truths=4000, frames=1).average_precision())
