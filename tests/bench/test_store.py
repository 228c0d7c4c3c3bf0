"""The store keeps what it is given, and refuses to mix."""

import dataclasses
import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np
import pytest

from moteyard.bench.errors import YardError
from moteyard.bench.store import HIT, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow, Store, added, open_store


def frame_row(**fields):
    truth = np.zeros(2, dtype=TRUTH_TYPE)
    truth["x"], truth["counted"] = (3.5, 9.0), (True, False)
    row = FrameRow("s1", "sky/f8/000", "sky", 8.0, "b", 1.0, "p1", "{}", 0.01, 0.2, truth)
    return dataclasses.replace(row, **fields)


def result_row(**fields):
    spots = np.zeros(1, dtype=SPOT_TYPE)
    spots["score"], spots["kind"] = 4.5, HIT
    return dataclasses.replace(ResultRow("s1", "dog", "dog-1-abc", None, 0.1, 0.2, spots), **fields)


@pytest.fixture
def store(tmp_path):
    opened = Store(tmp_path / "run.sqlite")
    yield opened
    opened.close()


def test_rows_come_back(store):
    store.add(frame_row(), [result_row()])
    (frame,) = store.frames()
    (result,) = store.results()
    assert frame.counted == 1
    assert frame.truth["x"].tolist() == [3.5, 9.0]
    assert result.spots["score"].tolist() == [4.5]
    assert store.answered("s1") == {"dog-1-abc"}


def test_memory_comes_back_and_rows_without_it_say_so(store):
    store.add(frame_row(), [result_row(memory_bytes=3e6), result_row(detector="log", fingerprint="log-1-abc")])
    assert [row.memory_bytes for row in store.results()] == pytest.approx([3e6, np.nan], nan_ok=True)


def test_a_store_from_before_memory_was_measured_can_be_read_and_filled(tmp_path):
    opened = Store(tmp_path / "run.sqlite")
    opened.add(frame_row(), [result_row(memory_bytes=3e6)])
    opened.close()
    with sqlite3.connect(tmp_path / "run.sqlite") as old:
        old.execute("DROP TABLE memory")
    old.close()
    opened = Store(tmp_path / "run.sqlite")
    opened.add(frame_row(), [result_row(detector="log", fingerprint="log-1-abc", memory_bytes=4e6)])
    assert [row.memory_bytes for row in opened.results()] == pytest.approx([np.nan, 4e6], nan_ok=True)
    opened.close()


def test_a_failed_result_is_tried_again(store):
    store.add(frame_row(), [result_row(problem="ValueError: no")])
    assert store.answered("s1") == set()
    store.add(frame_row(), [result_row()])
    assert store.answered("s1") == {"dog-1-abc"}
    assert len(list(store.results())) == 1


def test_a_failure_takes_no_answers_place(store):
    store.add(frame_row(), [result_row()])
    store.add(None, [result_row(problem="its process died", spots=np.zeros(0, dtype=SPOT_TYPE))])
    (kept,) = store.results()
    assert (kept.problem, kept.spots["score"].tolist()) == (None, [4.5])


def test_a_later_failure_and_a_later_answer_replace_their_like(store):
    store.add(frame_row(), [result_row(problem="first")])
    store.add(None, [result_row(problem="second")])
    assert [row.problem for row in store.results()] == ["second"]
    for cpu_s in (1.0, 2.0):
        store.add(None, [result_row(cpu_s=cpu_s)])
    assert [(row.problem, row.cpu_s) for row in store.results()] == [(None, 2.0)]


def test_other_pixels_under_one_scene_are_refused(store):
    store.add(frame_row(), [])
    with pytest.raises(YardError, match="sky/f8/000 with other pixels"):
        store.add(frame_row(pixels="p2"), [])


def _with(item, notes):
    return {"items": added(notes, "items", {item: "x"})}


def test_of_two_that_add_to_a_note_neither_undoes_the_other(store):
    """Each of four threads with a store of its own adds 25 items; a lost update would lack some."""

    def add(number):
        other = Store(store.path)
        for item in range(25):
            other.revise_notes(partial(_with, f"{number}/{item}"))
        other.close()

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(add, range(4)))
    assert len(json.loads(store.note("items"))) == 100


def test_a_row_is_known_by_scene_and_by_the_detectors_code(store):
    store.add(frame_row(), [result_row(), result_row(fingerprint="dog-1-new"), result_row(fingerprint="dog-2-abc")])
    store.add(frame_row(scene="s2"), [result_row(scene="s2")])
    assert store.answered("s1") == {"dog-1-abc", "dog-1-new", "dog-2-abc"}
    assert store.answered("s2") == {"dog-1-abc"}


def test_other_pixels_leave_nothing_behind(store):
    store.add(frame_row(), [])
    with pytest.raises(YardError, match="with other pixels"):
        store.add(frame_row(pixels="p2"), [result_row()])
    assert list(store.results()) == []


def test_notes(store):
    store.set_note("a", "plain")
    store.set_note("b", "[1, 2]")
    assert store.note("a") == "plain"
    assert store.note("none") is None
    assert store.card() == {"a": "plain", "b": [1, 2], "format": 1}


def test_a_reader_sees_what_is_written_while_it_is_written(store, tmp_path):
    store.add(frame_row(), [result_row()])
    other = sqlite3.connect(tmp_path / "run.sqlite")
    assert other.execute("SELECT count(*) FROM result").fetchone() == (1,)
    other.close()


def test_a_file_that_is_no_store_is_refused(tmp_path):
    (tmp_path / "run.sqlite").write_bytes(b"not a database, surely not" * 100)
    with pytest.raises(YardError, match="can't be used as a result store"):
        open_store(tmp_path)


def test_a_folder_without_results_says_how_to_make_some(tmp_path):
    with pytest.raises(YardError, match=r"holds no results .*moteyard rank quick"):
        open_store(tmp_path)


def test_a_store_of_another_format_is_refused(tmp_path):
    made = Store(tmp_path / "run.sqlite")
    made.set_note("format", "99")
    made.close()
    with pytest.raises(YardError, match="has store format 99, this version writes 1"):
        open_store(tmp_path)
