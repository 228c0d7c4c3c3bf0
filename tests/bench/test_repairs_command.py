"""`moteyard repairs` on a tiny suite: tables, files, going on, and what a user may get wrong."""

import csv
import json
from pathlib import Path

import pytest

from moteyard.bench.cli import main

TINY = """
name = "tiny-repairs"
version = 1
summary = "two frames of sky"
seed = 7
frames = 2
f_numbers = [16]
[camera]
width_px = 240
height_px = 200
[population]
mean_count = 4
smallest_um = 25
[[ground]]
background = "sky"
"""


@pytest.fixture
def suite(tmp_path):
    path = tmp_path / "tiny.toml"
    path.write_text(TINY, encoding="utf-8")
    return path


def run(suite, out, *words):
    few = ["--repair", "telea", "--repair", "flat-field"]
    return main(["repairs", str(suite), *few, "--workers", "1", "--out", str(out), *words])


def test_tables_files_and_going_on(suite, tmp_path, capsys):
    out = tmp_path / "out"
    assert run(suite, out, "--hand", "2") == 0
    first = capsys.readouterr().out
    assert "SKY" in first
    assert "visible spots, places known" in first
    assert "BEST PIPELINE" in first
    rows = list(csv.DictReader((out / "repairs.csv").read_text(encoding="utf-8").splitlines()))
    residual = {(row["spots_given"], row["repair"]): float(row["residual"]) for row in rows if row["f_number"] == "all"}
    assert residual["known", "flat-field"] < residual["known", "telea"] < 1
    assert residual["known", "flat-field"] < 0.15
    paid = list(csv.DictReader((out / "pipelines.csv").read_text(encoding="utf-8").splitlines()))
    assert {row["pipeline"] for row in paid} == {"as it is", "by hand", "matched + telea", "matched + flat-field"}
    assert (out / "repairs.png").read_bytes()[:4] == b"\x89PNG"
    store = out / "outcomes.jsonl"
    lines = [line for line in store.read_text(encoding="utf-8").splitlines() if line]
    assert len(lines) == 3
    # The line of a frame that an interruption cut short is done again, the other is kept.
    store.write_text("\n".join([*lines[:2], lines[2][: len(lines[2]) // 2]]), encoding="utf-8")
    assert run(suite, out, "--hand", "2") == 0
    again = [line for line in store.read_text(encoding="utf-8").splitlines() if line]
    assert json.loads(again[1]) == json.loads(lines[1])
    assert json.loads(again[-1]) == json.loads(lines[2])
    assert capsys.readouterr().out == first


def test_outcomes_of_another_make_are_not_mixed(suite, tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    (out / "outcomes.jsonl").write_text('{"made of": ["other"]}\n', encoding="utf-8")
    assert run(suite, out) == 2
    assert "holds outcomes of another suite, detector or repair; choose another --out" in capsys.readouterr().err


def test_an_unknown_repair(suite, tmp_path, capsys):
    assert main(["repairs", str(suite), "--repair", "nothing", "--out", str(tmp_path / "out")]) == 2
    assert "unknown repair 'nothing'" in capsys.readouterr().err
    assert not Path(tmp_path / "out").exists()


def test_repairs_are_listed(capsys):
    assert main(["list"]) == 0
    shown = capsys.readouterr().out
    assert "REPAIRS" in shown
    assert "flat-field" in shown
