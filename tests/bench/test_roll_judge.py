"""Rolls: suites read from text, scores counted by hand, and a small run from end to end."""

import math

import numpy as np
import pytest

from moteyard.bench.cli import main
from moteyard.bench.errors import YardError
from moteyard.bench.report.roll_plot import square_root_law
from moteyard.bench.roll_judge import IDEAL_D_PRIME, RollScore, at_threshold, judge_roll, reading
from moteyard.bench.roll_suite import load_roll_suite, parse_roll_suite, roll_suite_names

TINY = """
name = "tiny"
version = 1
summary = "one small roll"
seed = 1
rolls = 1
counts = [1, 3]

[camera]
width_px = 320
height_px = 240

[population]
smallest_um = 30
mean_count = 8

[[kind]]
theme = "sky"
f_numbers = [11]
"""


def score(detectability, found, *, count=4, kind="scrub"):
    """A roll's score from (score, hit) pairs."""
    values = np.array(detectability, dtype=float)
    return RollScore(
        kind=kind,
        roll="a",
        count=count,
        detectability=values,
        first_detectability=values / math.sqrt(count),
        score=np.array([value for value, _ in found], np.float32),
        hit=np.array([hit for _, hit in found], bool),
    )


def test_the_ideal_limit_leaves_no_false_alarm_in_a_frame():
    # One-sided Gaussian tail beyond 5.5: 1.9e-8 (tables of the normal distribution).
    assert math.erfc(IDEAL_D_PRIME / math.sqrt(2)) / 2 == pytest.approx(1.9e-8, rel=0.01)


def test_recall_at_one_false_alarm_a_roll_by_hand():
    one = score([9, 9, 2, 2], [(9, True), (8, False), (7, True), (6, False), (5, True)])
    other = score([9, 1], [(4, True), (3, False)])
    # Two rolls may have two false alarms: down to 4 there are two, and four hits of six grains.
    found = reading([one, other])
    assert (found.recall, found.ideal, found.threshold, found.grains) == (4 / 6, 3 / 6, 4.0, 6)
    assert at_threshold([one, other], 6.5) == (2 / 6, 1 / 2)


def test_no_threshold_is_low_enough_for_a_wild_method():
    found = reading([score([9], [(5, False), (5, False), (5, True)])])
    assert (found.recall, found.threshold) == (0.0, math.inf)


def test_a_roll_without_grains_has_no_recall():
    assert math.isnan(reading([score([], [])]).recall)


def test_square_root_law():
    counts, shares = square_root_law([score([2 * 3.0, 2 * 5.0], [], count=4)])
    # 3√M and 5√M pass 5.5 at M = 3.36 and 1.21.
    by_count = dict(zip(np.round(counts, 6), shares, strict=True))
    assert by_count[1.0] == 0
    assert by_count[4.0] == 1
    assert shares[np.searchsorted(counts, 2.0)] == 0.5


def test_shipped_suites_are_sound():
    assert roll_suite_names() == ["quick", "standard"]
    for name in roll_suite_names():
        suite = load_roll_suite(name)
        rolls = list(suite.made())
        assert len(rolls) == suite.rolls * len(suite.kinds)
        assert {len(roll) for _, roll in rolls} == {suite.counts[-1]}


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("rolls = 1", "rols = 1", "unknown key 'rols'; did you mean 'rolls'"),
        ("rolls = 1", "", "key 'rolls' is missing"),
        ("[1, 3]", "[3, 1]", "key 'counts' must be a list of rising whole numbers"),
        ('"sky"', '"sy"', "unknown theme 'sy'; did you mean 'sky'"),
        ("theme", "them", "unknown key 'them'"),
        ("seed = 1", "seed = ", "not valid TOML"),
    ],
)
def test_a_malformed_suite_is_answered_by_name(old, new, sentence):
    with pytest.raises(YardError, match=sentence):
        parse_roll_suite(TINY.replace(old, new), where="tiny.toml")


def test_unknown_suite():
    with pytest.raises(YardError, match="unknown roll suite 'quik'; did you mean 'quick'"):
        load_roll_suite("quik")


def test_a_roll_judged_from_end_to_end():
    ((label, roll),) = parse_roll_suite(TINY, where="tiny.toml").made("develop")
    one, three = judge_roll(label, roll, "consensus", counts=(1, 3))
    assert (one.count, three.count) == (1, 3)
    assert one.truths == three.truths > 0
    assert np.all(three.detectability > one.first_detectability)
    assert reading([three]).recall > 0.7


def test_the_command_writes_table_and_plot(tmp_path, capsys):
    suite = tmp_path / "tiny.toml"
    suite.write_text(TINY, encoding="utf-8")
    out = tmp_path / "out"
    assert main(["rolls", str(suite), "--out", str(out), "--workers", "1", "--seeds", "develop"]) == 0
    assert (out / "rolls.csv").read_text(encoding="utf-8").count("\n") == 3
    assert (out / "rolls.png").read_bytes()[:4] == b"\x89PNG"
    assert "consensus finds at 1 false alarm a roll" in capsys.readouterr().out
    assert main(["rolls", str(suite), "--detector", "consensuss"]) == 2
    assert "did you mean 'consensus'" in capsys.readouterr().err
