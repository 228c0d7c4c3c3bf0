"""All rows of a store as plain tables, read back by other libraries."""

import csv
import dataclasses
import os
import sys

import numpy as np
import pytest

from moteyard.bench import tables
from moteyard.bench.cli import main
from moteyard.bench.errors import YardError
from moteyard.bench.store import FALSE_ALARM, HIT, IGNORED, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow, Store
from moteyard.bench.whole_file import whole_file


@pytest.fixture
def folder(tmp_path):
    """Three frames of 0, 1 and 2 shadows; `dog` answers everywhere with one candidate of each kind, `bad` fails."""
    store = Store(tmp_path / "run.sqlite")
    store.set_notes({"suite": "made up", "suite_version": "7"})
    for number in range(3):
        truth = np.zeros(number, TRUTH_TYPE)
        truth["x"], truth["counted"] = 10 + np.arange(number), True
        frame = FrameRow(f"s{number}", f"sky/f8/00{number}", "sky", 8.0, "b", 1.5, "p", '{"a": 1}', 0.01, 0.2, truth)
        spots = np.zeros(3, SPOT_TYPE)
        spots["x"], spots["kind"], spots["truth"] = (1.5, 2.5, 3.5), (HIT, FALSE_ALARM, IGNORED), (0, -1, -1)
        good = ResultRow(frame.scene, "dog", "dog-1-abc", None, 0.25, 0.5, spots)
        bad = dataclasses.replace(good, detector="bad", fingerprint="bad-1-abc", problem="no, never", spots=spots[:0])
        store.add(frame, [good, bad])
    store.close()
    return tmp_path


def read_csv(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv_holds_every_row(folder, monkeypatch, capsys):
    monkeypatch.setattr(tables, "PIECE", 2)  # so that pieces are put together
    assert main(["export", str(folder)]) == 0
    found = {name: read_csv(folder / "tables" / f"{name}.csv") for name in tables.TABLES}
    assert {name: len(rows) for name, rows in found.items()} == {"frames": 3, "looks": 6, "shadows": 3, "candidates": 9}
    assert [row["shadows"] for row in found["frames"]] == ["0", "1", "2"]
    assert {(row["suite"], row["suite_version"]) for row in found["frames"]} == {("made up", "7")}
    assert found["frames"][0]["recipe"] == '{"a": 1}'
    looks = {(row["scene"], row["detector"]): row for row in found["looks"]}
    assert looks["s1", "bad"]["problem"] == "no, never"
    dog = looks["s1", "dog"]
    assert [dog[key] for key in ("problem", "candidates", "hits", "false_alarms", "cpu_s")] == [
        "",
        "3",
        "1",
        "1",
        "0.25",
    ]
    assert [(row["scene"], row["truth"], row["x"]) for row in found["shadows"]] == [
        ("s1", "0", "10.0"),
        ("s2", "0", "10.0"),
        ("s2", "1", "11.0"),
    ]
    assert [row["verdict"] for row in found["candidates"][:3]] == ["hit", "false alarm", "ignored"]
    assert "looks.csv: 6 rows" in capsys.readouterr().out


def test_parquet_holds_the_same_with_types(folder, monkeypatch):
    parquet = pytest.importorskip("pyarrow.parquet", reason="needs the extra: moteyard[parquet]")
    monkeypatch.setattr(tables, "PIECE", 2)
    assert main(["export", str(folder), "--format", "parquet", "--out", str(folder / "p")]) == 0
    assert main(["export", str(folder), "--out", str(folder / "c")]) == 0
    for name in tables.TABLES:
        table = parquet.read_table(folder / "p" / f"{name}.parquet")
        plain = read_csv(folder / "c" / f"{name}.csv")
        assert table.column_names == list(plain[0])
        assert [row["scene"] for row in table.to_pylist()] == [row["scene"] for row in plain]
    looks = parquet.read_table(folder / "p" / "looks.parquet").to_pylist()
    assert {row["problem"] for row in looks} == {None, "no, never"}
    spots = parquet.read_table(folder / "p" / "candidates.parquet")
    assert [str(spots.schema.field(name).type) for name in ("x", "truth")] == ["float", "int32"]


def test_a_result_without_rows_has_heads_all_the_same(tmp_path):
    Store(tmp_path / "run.sqlite").close()
    assert main(["export", str(tmp_path)]) == 0
    assert (tmp_path / "tables" / "candidates.csv").read_text(encoding="utf-8").startswith("scene,detector,x,y,")


def test_tables_are_never_replaced(folder, capsys):
    assert main(["export", str(folder)]) == 0
    assert main(["export", str(folder)]) == 2
    assert "frames.csv exists and is not replaced; choose another --out" in capsys.readouterr().err


def test_without_pyarrow_the_extra_is_named(folder, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    assert main(["export", str(folder), "--format", "parquet"]) == 2
    assert capsys.readouterr().err == (
        "moteyard: --format parquet needs pyarrow; install it with: pip install 'moteyard[parquet]'\n"
    )
    assert not (folder / "tables").exists()


def test_two_writers_of_one_file_do_not_meet(tmp_path, monkeypatch):
    path = tmp_path / "a.txt"
    with whole_file(path) as mine:
        mine.write_text("mine", encoding="utf-8")
        monkeypatch.setattr(os, "getpid", lambda: 1)
        with whole_file(path) as theirs:
            theirs.write_text("theirs", encoding="utf-8")
        monkeypatch.undo()
        assert path.read_text(encoding="utf-8") == "theirs"
    assert path.read_text(encoding="utf-8") == "mine"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_fails_half_way_leaves_the_old_one(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("old", encoding="utf-8")

    def fill():
        with whole_file(path) as scratch:
            scratch.write_text("ne", encoding="utf-8")
            raise OSError(28, "No space left on device")

    with pytest.raises(YardError, match=r"a\.txt can't be written \(No space left on device\); make room"):
        fill()
    assert path.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [path]
