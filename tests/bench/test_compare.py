"""Two runs side by side, paired by frame."""

import json

import numpy as np
import pytest

from moteyard.bench.choice import Choice, Wish
from moteyard.bench.compare import compare, trust_changes
from moteyard.bench.compare_command import comparison_json, comparison_lines
from moteyard.bench.errors import YardError
from moteyard.bench.report.comparison import write_comparison
from moteyard.bench.store import FALSE_ALARM, HIT


def run(make_record, *, found=3, frames=12, ground="sky", first=0, **cell):
    """Frames with four shadows, of which a method finds `found` above one false alarm."""
    return [
        make_record(
            [*np.linspace(9, 5, found), 1.0], [HIT] * found + [FALSE_ALARM], truths=4,
            block=f"{ground}{number:02d}", ground=ground, **cell,
        )
        for number in range(first, first + frames)
    ]  # fmt: skip


def test_average_precision_falls_by_what_is_no_longer_found(make_record):
    found = compare({"m": run(make_record, found=3)}, {"m": run(make_record, found=1)}, least_effect=0.02)
    (change,) = found.changes
    (line,) = change.lines
    # Hits stand above the false alarm, so average precision is the share that is found.
    assert (line.before, line.after) == pytest.approx((0.75, 0.25))
    assert (line.difference.low, line.difference.high) == pytest.approx((-0.5, -0.5))
    assert line.verdict == "worse"
    assert set(change.apertures) == {8.0}
    assert [(one.before, one.after) for one in change.frames] == [(0.75, 0.25)] * 3
    assert not change.same_answers
    assert change.same_code


def test_a_run_against_itself_changes_nothing(make_record):
    table = {"m": run(make_record)}
    found = compare(table, table, least_effect=0.02)
    assert found.changes[0].same_answers
    assert found.changes[0].lines == ()
    assert "the same answers on every frame: m" in comparison_lines(found, "a", "b")


def test_where_it_changed(make_record):
    sky, rock = run(make_record), run(make_record, ground="rock")
    worse = run(make_record, ground="rock", found=0)
    found = compare({"m": sky + rock}, {"m": sky + worse}, least_effect=0.02)
    verdicts = {line.ground: line.verdict.value for line in found.changes[0].lines}
    assert verdicts == {"all grounds": "worse", "sky": "no worse", "rock": "worse"}
    assert {one.frame[:4] for one in found.changes[0].frames} == {"rock"}


def test_only_common_frames_and_methods_are_paired(make_record):
    before = {"m": run(make_record, first=0), "old": run(make_record, first=0)}
    after = {"m": run(make_record, first=4, found=2), "new": run(make_record, first=4)}
    found = compare(before, after, least_effect=0.02)
    assert (found.frames, found.only_before, found.only_after) == (8, 4, 4)
    assert (found.methods_before, found.methods_after) == (("old",), ("new",))


def test_runs_that_cannot_be_paired(make_record):
    table = {"m": run(make_record)}
    with pytest.raises(YardError, match="no frame in common"):
        compare(table, {"m": run(make_record, first=50)}, least_effect=0.02)
    with pytest.raises(YardError, match="12 of 12 common frames have other pixels"):
        compare(table, {"m": run(make_record, pixels="1")}, least_effect=0.02)
    with pytest.raises(YardError, match="no method is in both: m against n"):
        compare(table, {"n": run(make_record)}, least_effect=0.02)


def test_trust_that_changed_hands(make_cell):
    def chosen(method, *cells):
        return Choice(method, method, "x-1", "s version 1", 1.0, Wish(), cells)

    old = chosen("m", make_cell("sky", 8.0), make_cell("sky", 16.0), make_cell("rock", 8.0, trusted=False))
    new = chosen(
        "m", make_cell("sky", 8.0), make_cell("sky", 16.0, trusted=False), make_cell("rock", 8.0, trusted=False)
    )
    (change,) = trust_changes(old, new)
    assert (change.f_number, change.before, change.after) == (16.0, "trust m", "trust none")


def test_terminal_page_and_json_agree_and_names_stay_text(make_record, tmp_path):
    bad = "<script>taken()</script>"
    table = {bad: run(make_record)}
    found = compare(table, {bad: run(make_record, found=1, fingerprint="m-2")}, least_effect=0.02)
    lines = comparison_lines(found, bad, "b" * 120)
    assert any("−.500" in line and "worse" in line for line in lines)
    assert "    Worse: sky; better: nowhere." in lines
    told = json.loads(json.dumps(comparison_json(found), allow_nan=False))
    assert told["methods"][0]["lines"][0]["difference"] == -0.5
    assert told["methods"][0]["same_code"] is False
    write_comparison(tmp_path / "page.html", found, before=bad, after="b", least_effect=0.02)
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;taken()" in page
    assert "−.500" in page
    assert "Worse: sky; better: nowhere." in page
    assert not list(tmp_path.glob("*.part"))
