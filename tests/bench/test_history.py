"""`moteyard survey --history` on surveys whose every grain is known, and its statistics against tables."""

import csv
import json
import math
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from PIL import Image
from scipy.stats import poisson

from moteyard.bench.cli import main
from moteyard.bench.field.survey.growth import Stay, dispersion_p, is_drop, poisson_interval, rate, ratio_p, stay_p
from moteyard.bench.field.survey.history import history
from moteyard.bench.field.survey.history_report import history_lines
from moteyard.bench.field.survey.marks import follow
from moteyard.bench.field.survey.place import OnSensor
from moteyard.bench.field.survey.record import Record, read_record, records_in, write_record
from moteyard.bench.field.survey.table import Line
from moteyard.bench.field.survey.visible import F_NUMBERS
from moteyard.generators.exif import Body

START = datetime(2026, 4, 1, 9)


def grain(number, *, right=None, up=None, diameter=None):
    """A grain of its own place and size for each number: 1 mm apart in rows of six."""
    place = OnSensor(-15 + number % 6 * 5.0 if right is None else right, -9 + number // 6 * 3.0 if up is None else up)
    size = 12.0 + 2.3 * number if diameter is None else diameter
    return Line(number, 0.0, 0.0, place, "somewhere", size, 0.1, 0.5, 9.0, (2.0,) * len(F_NUMBERS), 4.0)


def record(day, numbers, *, shift=1.0, **more):
    lines = [grain(number) for number in numbers]
    lines = [replace(x, place=OnSensor(x.place.right_mm * shift, x.place.up_mm * shift)) for x in lines]
    words = {
        "name": f"day-{day}", "taken": START + timedelta(days=day), "frames": (f"{day}.jpg",), "focal_mm": 50.0,
        "body": Body("Maker", "One", "7"), "size_mm": (36.0, 24.0), "f_number": 22.0, "distance_mm": 1.0,
        "limit_um": 10.0, "cleaned_by": "", "grains": tuple(lines),
    } | more  # fmt: skip
    return Record(**words)


def keep(folder, *records):
    for number, one in enumerate(records):
        (folder / f"s{number}").mkdir(parents=True)
        write_record(folder / f"s{number}" / "survey.json", one)
    return folder


# Statistics


@pytest.mark.parametrize(
    ("count", "low", "high"),
    # Garwood's intervals as tabled in E. S. Pearson and H. O. Hartley, Biometrika Tables for Statisticians, vol. 1,
    # table 40, 95 % (from memory).
    [(0, 0.0, 3.69), (1, 0.0253, 5.57), (2, 0.242, 7.22), (5, 1.62, 11.67), (10, 4.80, 18.39), (20, 12.22, 30.89)],
)
def test_the_exact_poisson_interval(count, low, high):
    found = poisson_interval(count)
    assert found == pytest.approx((low, high), abs=0.006)
    # What the interval means: at either end the count is as far out as a tail of 2.5 % allows.
    assert poisson.cdf(count, found[1]) == pytest.approx(0.025, abs=1e-9)
    if count:
        assert poisson.sf(count - 1, found[0]) == pytest.approx(0.025, abs=1e-9)


def test_the_interval_covers():
    rng = np.random.default_rng(8)
    for mean in (0.5, 3.0, 12.0):
        ends = {n: poisson_interval(int(n)) for n in range(60)}
        covered = [ends[n][0] <= mean <= ends[n][1] for n in rng.poisson(mean, 4000)]
        assert np.mean(covered) > 0.945  # exact: never below 95 % but for the draw


@pytest.mark.parametrize(("count", "level"), [(-1, 0.95), (3, 1.0)])
def test_no_interval(count, level):
    with pytest.raises(ValueError, match="a count must be at least 0 and a level between 0 and 1"):
        poisson_interval(count, level=level)


def test_a_rate_by_hand():
    one = rate([4, 6], [10.0, 15.0])
    assert (one.count, one.days, one.per_day) == (10, 25.0, pytest.approx(0.4))
    assert (one.low, one.high) == pytest.approx((4.795 / 25, 18.390 / 25), abs=1e-3)
    assert math.isnan(rate([3], [0.0]).per_day)


def test_bursts():
    # Σ(n − 5)²/5 = (25 + 25)/5 = 10 on one degree of freedom: p = .0016 (any table of χ²).
    assert dispersion_p([0, 10], [7.0, 7.0]) == pytest.approx(0.00157, abs=1e-5)
    assert dispersion_p([5, 5], [7.0, 7.0]) == 1.0
    assert math.isnan(dispersion_p([5], [7.0]))
    assert math.isnan(dispersion_p([0, 0], [7.0, 7.0]))


def test_two_rates():
    # 5 and 0 over equal times: both ends of a binomial of 5 at ½, 2/32.
    assert ratio_p(rate([5], [3.0]), rate([0], [3.0])) == pytest.approx(2 / 32)
    assert ratio_p(rate([0], [3.0]), rate([0], [1.0])) == 1.0
    assert math.isnan(ratio_p(rate([5], [3.0]), rate([], [])))


def test_the_exact_test_by_counting():
    # Eight cups, three of four right: (16 + 1)/70 (Fisher 1935).
    assert stay_p(Stay(3, 4), Stay(1, 4)) == pytest.approx(17 / 70)
    assert math.isnan(stay_p(Stay(3, 4), Stay(0, 0)))


@pytest.mark.parametrize(
    ("left", "of", "drop"), [(0, 9, False), (2, 20, False), (6, 20, True), (3, 3, True), (0, 0, False)]
)
def test_what_is_a_clean(left, of, drop):
    # 6 or more of 20 at 1 in 10 each: 1.1 %, 7: 0.24 % (tables of the binomial distribution); 3 of 3: 0.1 %.
    assert is_drop(left + (left == 6), of) is drop


# Grains followed


def test_grains_are_followed_by_place_and_size():
    tables = [[grain(n) for n in numbers] for numbers in ((1, 2, 3), (1, 3, 4), (3, 4, 2))]
    marks = follow(tables, [50.0] * 3).marks
    assert [(mark.number, mark.first, mark.last) for mark in marks] == [(1, 0, 1), (2, 0, 2), (3, 0, 2), (4, 1, 2)]
    assert sorted(marks[1].seen) == [0, 2]  # overlooked once, and there all the same
    assert all(marks[1].is_there(index) for index in range(3))


def test_another_size_at_the_same_place_is_another_grain():
    marks = follow([[grain(1, diameter=20)], [grain(1, diameter=60)]], [None, None]).marks
    assert len(marks) == 2


def test_another_lens_is_allowed_for_and_remembered():
    records = [record(0, range(12)), record(1, range(12), shift=1.012, focal_mm=85.0), record(2, range(12))]
    few = record(3, [1, 10], shift=1.012, focal_mm=85.0)  # two grains can't tell a lens by themselves
    tables = [one.grains for one in (*records, few)]
    done = follow(tables, [50.0, 85.0, 50.0, 85.0])
    assert len(done.marks) == 12
    assert done.factors == pytest.approx((1, 1.012, 1, 1.012), abs=3e-4)
    assert len(follow(tables, [50.0, 85.0, 50.0, None]).marks) in (12, 13, 14)


def test_a_grain_that_moved_is_not_a_new_one():
    lies = grain(20, right=1.0, up=-1.0, diameter=41.0)
    marks = follow([[grain(1), lies], [grain(1), replace(lies, place=OnSensor(1.9, -0.6))]], [None, None]).marks
    assert [mark.moved for mark in marks] == [False, False, True]


# Histories


def season():
    """Twelve grains; 3, 1 and 2 new ones in 10, 5 and 15 days; a swab that leaves five; four more; a blower."""
    return [
        record(0, range(12)),
        record(10, range(15)),
        record(15, [*range(1, 16)]),
        record(15.1, [1, 2, 3, 4, 5], cleaned_by="swab"),
        record(30, [1, 2, 3, 4, 5, 20, 21]),
        record(30.5, [1, 2, 3, 4, 5]),
    ]


def test_a_history_by_hand():
    done = history(season())
    assert [entry.count for entry in done.entries] == [12, 15, 15, 5, 7, 5]
    assert [entry.new for entry in done.entries] == [0, 3, 1, 0, 2, 0]
    assert [entry.left for entry in done.entries] == [0, 0, 1, 10, 0, 2]
    assert [entry.clean for entry in done.entries] == ["", "", "", "swab", "", ""]  # 2 of 7 may go by themselves
    # The clean's span of 0.1 days is left out: 3 + 1 + 2 + 0 in 10 + 5 + 14.9 + 0.5 days.
    assert done.growth.count == 6
    assert done.growth.days == pytest.approx(30.4)
    low, high = 2.202, 13.06  # Garwood's for 6
    assert (done.growth.low, done.growth.high) == pytest.approx((low / 30.4, high / 30.4), abs=1e-3)
    assert done.never_left == ()
    assert "two cleans or more" in " ".join(history_lines(done))


def test_what_never_leaves():
    records = season()
    records[5] = replace(records[5], cleaned_by="blower")
    records.append(record(40, [1, 2, 3, 4, 30, 31, 32, 33, 34, 35]))
    shrunk = replace(grain(4), diameter_um=0.9 * grain(4).diameter_um)
    records.append(record(40.1, [1, 2, 3], cleaned_by="swab"))
    records[-1] = replace(records[-1], grains=(*records[-1].grains, shrunk))
    done = history(records)
    assert done.cleans == (3, 5, 7)
    assert {mark.line.diameter_um for mark in done.never_left} == {grain(n).diameter_um for n in (1, 2, 3)}
    # The last clean left 4 of 4 that had stayed before (one of them smaller), and none of 6 that had come since.
    assert (done.old, done.fresh) == (Stay(4, 4), Stay(0, 6))
    assert done.stuck_p == pytest.approx(1 / math.comb(10, 4))
    said = " ".join(" ".join(history_lines(done)).split())
    assert "3 marks outlasted all 3 cleans in place and size" in said
    assert "they hold faster; what neither moves nor shrinks may lie under the filter" in said
    assert "ask the maker's service" in said


def test_only_what_every_survey_would_find_is_counted():
    records = season()
    records[1] = replace(records[1], limit_um=grain(4).diameter_um + 0.1)  # 0…4 are smaller
    done = history(records)
    assert [entry.count for entry in done.entries] == [7, 10, 11, 1, 3, 1]
    records[1] = replace(records[1], limit_um=math.inf)  # its test frames don't tell
    assert history(records).limit_um == 10.0


def test_lenses_and_bursts_are_told_of():
    records = [record(7 * n, range(5 + (12 if n == 3 else 0)), focal_mm=85.0 if n == 3 else 50.0) for n in range(4)]
    done = history(records)
    assert [entry.other_lens for entry in done.entries] == [False, False, False, True]
    assert (done.lens_changed.count, done.lens_kept.count) == (12, 0)
    said = " ".join(" ".join(history_lines(done)).split())
    assert "it came in bursts" in said
    assert "a real difference" in said  # 12 and 0 in 7 and 14 days


def test_a_lens_that_nothing_tells_of_is_told_of():
    records = [record(0, range(12)), record(9, [3, 20, 21], focal_mm=85.0)]
    said = " ".join(" ".join(history_lines(history(records))).split())
    # 3 % of half the diagonal of 36×24 mm, 21.63 mm.
    assert "day-9: taken at 85 mm, the first at 50 mm, and too few shared shadows tell" in said
    assert "anything within ±3 %, 0.65 mm in the corners" in said
    told = [record(0, range(12)), record(9, range(12), focal_mm=85.0, shift=1.01)]
    assert "too few shared" not in " ".join(history_lines(history(told)))


def test_the_report_fits_a_terminal():
    records = season()
    records[5] = replace(records[5], cleaned_by="dry-swab", focal_mm=180.0)
    for lines in (history_lines(history(records)), history_lines(history(records[:2]))):
        assert max(map(len, lines)) <= 80


# Files


def test_the_command(tmp_path, capsys):
    folder, out = keep(tmp_path / "surveys", *season()), tmp_path / "out"
    assert main(["survey", "--history", str(folder), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "HISTORY     6 surveys of Maker One, serial number 7, 2026-04-01 to 2026-05-01" in said
    assert "--- cleaned by swab" in said
    assert "0.20 new grains a day" in said
    with (out / "history.csv").open(encoding="utf-8") as file:
        assert [row["all"] for row in csv.DictReader(file)] == ["12", "15", "15", "5", "7", "5"]
    with (out / "marks.csv").open(encoding="utf-8") as file:
        assert len(list(csv.DictReader(file))) == 18
    numbers = json.loads((out / "history.json").read_text(encoding="utf-8"))
    assert numbers["growth"]["count"] == 6
    assert numbers["holds_faster_p"] is None
    for name in ("history", "marks"):
        with Image.open(out / f"{name}.png") as picture:
            assert min(picture.size) > 300
            assert len(picture.convert("RGB").getcolors(1 << 20)) > 20
        assert "<svg" in (out / f"{name}.svg").read_text(encoding="utf-8")
    assert main(["survey", "--history", str(folder), "--out", str(out)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_a_record_comes_back_as_it_was(tmp_path):
    one = record(3, [1, 2], limit_um=math.inf, focal_mm=None)
    write_record(tmp_path / "survey.json", one)
    assert read_record(tmp_path / "survey.json") == replace(one, name=tmp_path.name)
    with pytest.raises(FileExistsError, match=r"survey.json"):
        write_record(tmp_path / "survey.json", one)


def test_a_survey_that_is_there_twice_counts_once(tmp_path):
    before, after = record(0, [1, 2, 3], limit_um=math.inf), record(0, [1], frames=("b.jpg",), cleaned_by="swab")
    folder = keep(tmp_path / "f", after, before, replace(after, cleaned_by=""), replace(before, limit_um=7.0))
    found = records_in(folder)
    assert [(len(one.grains), one.cleaned_by, one.limit_um) for one in found] == [(3, "", 7.0), (1, "swab", 10.0)]


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"taken": None}, "has no date, since its test frames don't tell when they were taken"),
        ({"body": Body("Maker", "One", "8")}, "is of Maker One, serial number 8 but"),
        ({"size_mm": (23.5, 15.6)}, "is of a sensor of 23.5×15.6 mm but s0 of one of 36.0×24.0 mm"),
    ],
)
def test_surveys_that_do_not_belong_together(tmp_path, capsys, change, sentence):
    keep(tmp_path / "f", record(0, [1]), record(1, [1], **change))
    assert main(["survey", "--history", str(tmp_path / "f"), "--out", str(tmp_path / "o")]) == 2
    assert sentence in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


def test_folders_that_hold_no_history(tmp_path, capsys):
    words = ["--out", str(tmp_path / "o")]
    assert main(["survey", "--history", str(tmp_path / "gone"), *words]) == 2
    assert "there is no folder" in capsys.readouterr().err
    (tmp_path / "other.json").write_text('{"kind": "something"}')
    (tmp_path / "list.json").write_text("[1, 2]")
    keep(tmp_path, record(0, [1]))
    assert main(["survey", "--history", str(tmp_path), *words]) == 2
    assert "holds 1 survey and a history needs two or more" in capsys.readouterr().err
    (tmp_path / "new.json").write_text('{"kind": "moteyard-survey", "version": 9}')
    assert main(["survey", "--history", str(tmp_path), *words]) == 2
    assert "of version 9, but this moteyard reads version 1" in capsys.readouterr().err
    (tmp_path / "new.json").write_text('{"kind": "moteyard-survey", "version": 1}')
    assert main(["survey", "--history", str(tmp_path), *words]) == 2
    assert "new.json is a damaged survey's record" in capsys.readouterr().err
    assert main(["survey", "a.jpg", "--history", str(tmp_path), *words]) == 2
    assert "leave test frames out" in capsys.readouterr().err


def test_a_mistyped_date(capsys):
    with pytest.raises(SystemExit, match="2"):
        main(["survey", "a.jpg", "--taken", "31.5.2026"])
    assert "'31.5.2026' is not a date like 2026-05-31" in capsys.readouterr().err
