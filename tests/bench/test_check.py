"""`moteyard check`: what it says, what it shows, and what it lives through."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from moteyard.bench.cells import Record
from moteyard.bench.check_command import Findings, cpu_s_per_megapixel
from moteyard.bench.check_look import MOST, lenient_thresholds, look
from moteyard.bench.cli import main
from moteyard.bench.contract_run import contract_verdicts
from moteyard.bench.handover import photograph
from moteyard.bench.judge import frame_row, judged
from moteyard.bench.store import FALSE_ALARM, HIT, SPOT_TYPE, ResultRow
from moteyard.bench.suite_file import load_suite
from moteyard.detectors import Spots, load
from moteyard.generators.scene import render

HERE = Path(__file__).parent
BREAKERS = HERE / "breakers.py"
EXAMPLE = f"{HERE.parent / 'examples' / 'darkest.py'}:Darkest"


class Tags(HTMLParser):
    """Collects (tag, attributes) and the text between them."""

    def __init__(self, text):
        super().__init__()
        self.found, self.text = [], ""
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))

    def handle_data(self, data):
        self.text += data


def checked(spec, folder, monkeypatch):
    monkeypatch.chdir(folder)
    status = main(["check", spec, "--suite", str(HERE / "tiny.toml"), "--workers", "1"])
    pages = sorted(folder.glob("*.html"))
    return status, pages[-1].read_text(encoding="utf-8")


def test_a_sound_detector(tmp_path, monkeypatch, capsys):
    status, page = checked(EXAMPLE, tmp_path, monkeypatch)
    said = capsys.readouterr().out
    assert status == 0
    assert "all 12 demands are met" in said
    assert re.search(r"sky +\.\d{3} +\.\d{3} +\.\d{3} +\.\d{3}|sky( +(\.\d{3}|1\.00)){4}", said)
    tags = Tags(page)
    assert not any(tag in ("script", "link", "iframe") for tag, _ in tags.found)
    sources = [attributes["src"] for tag, attributes in tags.found if tag == "img"]
    assert sources
    assert all(source.startswith("data:image/webp;base64,") for source in sources)
    assert "://" not in re.sub(r"base64,[^\"]*", "", page)
    assert "url(" not in page
    counts = {word: int(re.search(rf"(\d+) {word}", said)[1]) for word in ("hits", "misses", "false alarms")}
    for word, count in counts.items():
        assert f"{word.capitalize()}: {count}" in tags.text
    assert len(sources) <= sum(min(count, 2 * MOST) for count in counts.values())
    # solid blue under true shadows, dashed amber on candidates: form repeats what colour says
    assert "stroke-dasharray" in page


def test_pages_are_numbered_and_never_replaced(tmp_path, monkeypatch, capsys):
    (tmp_path / "check-unnamed.html").write_text("mine")
    assert checked(f"{BREAKERS}:Unnamed", tmp_path, monkeypatch)[0] == 1
    assert (tmp_path / "check-unnamed.html").read_text() == "mine"
    assert (tmp_path / "check-unnamed-2.html").exists()
    assert main(["check", EXAMPLE, "--out", str(tmp_path / "check-unnamed.html")]) == 2
    assert "exists already; choose another --out" in capsys.readouterr().err


def test_a_broken_contract_says_what_and_how_to_mend(tmp_path, monkeypatch, capsys):
    status, page = checked(f"{BREAKERS}:Hostile", tmp_path, monkeypatch)
    said = capsys.readouterr().out
    assert status == 1
    assert "FAILS  any size" in said
    line = next(n for n, text in enumerate(BREAKERS.read_text().splitlines(), 1) if "onerror" in text)
    assert f"raised ValueError at line {line}, with a frame of 1×1 pixels" in " ".join(said.split())
    assert "To mend it: return Spots() for frames too small" in said
    assert "<img src=x" not in page
    assert "&lt;img src=x onerror=alert(1)&gt; &amp; so on" in page


def test_a_hostile_name_is_escaped(tmp_path, monkeypatch):
    status, page = checked(f"{BREAKERS}:Markup", tmp_path, monkeypatch)
    assert status == 1
    assert "<script" not in page
    assert "&lt;script&gt;alert(2)&lt;/script&gt;" in page
    assert [path.name for path in tmp_path.iterdir()] == ["check-_script_alert_2___script_.html"]


def test_a_detector_that_takes_its_process_down():
    verdicts = list(islice(contract_verdicts(f"{BREAKERS}:Leaving"), 3))
    died = "took its process down (its process died (exit status 3))"
    assert [verdict.problem for verdict in verdicts] == [None, None, died]


def test_a_detector_that_hangs_is_stopped_and_then_spared():
    verdicts = list(contract_verdicts(f"{BREAKERS}:Sleeping", time_limit_s=8))
    problems = [verdict.problem for verdict in verdicts]
    assert problems[:2] == [None, None]  # its name, and a roll without photographs
    assert problems[2:4] == ["took longer than 8 s and was stopped"] * 2
    assert set(problems[4:]) == {"was not tried after 2 checks took too long"}


def test_a_file_that_is_none(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["check", "gone.py:Mine"]) == 2
    assert "there is no detector file gone.py" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def frame():
    scene = next(iter(load_suite(str(HERE / "tiny.toml")).scenes("develop")))
    return render(scene)


@pytest.fixture(scope="module")
def row(frame):
    return frame_row(frame, ground="sky", viewing=load_suite("quick").viewing, render_s=0.0)


def record(row, spots):
    return Record(row, ResultRow(row.scene, "x", "x", None, 0.1, 0.1, spots))


def test_thresholds_keep_to_one_false_alarm_a_frame(row):
    spots = np.zeros(5, SPOT_TYPE)
    spots["score"] = [9, 7, 5, 3, 1]
    spots["kind"] = [FALSE_ALARM, HIT, HIT, FALSE_ALARM, HIT]
    spots["truth"] = [-1, 0, 1, -1, 2]
    assert lenient_thresholds([record(row, spots)]) == {"sky": 5.0}
    assert lenient_thresholds([record(row, spots[:0])]) == {"sky": np.inf}


def test_crops_show_what_is_there(frame, row):
    truth = row.truth
    seen = np.flatnonzero(truth["counted"])
    assert len(seen) >= 2
    found = truth[seen[0]]
    spots = Spots(x=[found["x"], 0], y=[found["y"], 0], diameter_px=[found["fwhm_px"]] * 2, score=[2, 1])
    shown = look([record(row, judged(spots, truth))], {"sky": 0.0})
    assert shown.counts == (1, len(seen) - 1, 1)
    (hit,), (false,) = shown.hits, shown.false_alarms
    assert (hit.score, false.score) == (2, 1)
    assert hit.depth == pytest.approx(found["depth"])
    # the outline of a true shadow and that of a candidate on it are one
    assert min(np.hypot(mark.x - hit.candidate.x, mark.y - hit.candidate.y) for mark in hit.truths) < 1e-6
    assert hit.candidate.x == pytest.approx(0.5, abs=0.02)
    # what lies outside the frame is dark: three quarters of a crop at its corner
    assert (false.tile == 40).all(axis=2).mean() == pytest.approx(0.75, abs=0.05)
    # misses come plainest first
    visible = sorted((row.truth["visibility"][index], row.truth["depth"][index]) for index in seen[1:])
    assert [miss.depth for miss in shown.misses] == pytest.approx([depth for _, depth in visible[::-1]][:MOST])
    # a deep shadow is darker in its crop's middle than around it
    middle = hit.tile[48:56, 48:56].mean()
    assert middle < hit.tile[:20].mean()


def test_frames_are_of_seeds_that_rank_does_not_use():
    suite = load_suite("guard")
    assert not {scene.digest for scene in suite.scenes("develop")} & {scene.digest for scene in suite.scenes()}
    assert load(EXAMPLE).detect([photograph(render(next(iter(suite.scenes("develop")))))])


def test_the_median_of_an_even_number_of_times_lies_between_the_middle_two(make_record):
    records = [make_record([], [], truths=0) for _ in range(4)]
    records = [
        replace(record, result=replace(record.result, cpu_s=cpu_s))
        for record, cpu_s in zip(records, (8.0, 1.0, 2.0, 4.0), strict=True)
    ]
    assert cpu_s_per_megapixel(Findings("m", "m", (), {"m": records}, (), {}, None)) == 3.0
