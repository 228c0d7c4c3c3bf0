"""Four wishes: what they choose, how often they keep it, and what they say where they can't."""

import math
import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from moteyard.bench.choice import choose, halves
from moteyard.bench.cli import main
from moteyard.bench.cost_curve import RATIOS, held_out_cost
from moteyard.bench.store import FALSE_ALARM, HIT
from moteyard.bench.wishes import CostWish, PrecisionWish, RecallWish, Wish
from moteyard.bench.wishes.base import Counts, Pick, Trial
from moteyard.bench.wishes.precision import frame_losses

YARD = runpy.run_path(str(Path(__file__).parent.parent / "benchmarks" / "coverage.py"))


@pytest.fixture(scope="module")
def frames():
    rng = np.random.default_rng(0)
    return [YARD["frame"](rng) for _ in range(400)]


@pytest.mark.parametrize("threshold", [0.0, 1.5, 2.5])
def test_the_simulated_yard_has_the_risks_it_says(threshold, frames):
    """The exact risks that the promises are held against, themselves held against counting."""
    hits = np.array([(r.hit & (r.score > threshold)).sum() for r in frames])
    false = np.array([(r.false_scores > threshold).sum() for r in frames])
    counted = np.array([r.frame.counted for r in frames])
    assert np.mean(false > 1) == pytest.approx(YARD["loud_risk"](threshold, 1), abs=3 * 0.5 / 20)
    missed = (1 - hits / np.maximum(counted, 1))[counted > 0]
    assert missed.mean() == pytest.approx(YARD["miss_risk"](threshold), abs=4 * missed.std() / 20)
    share = (false / np.maximum(hits + false, 1))[hits + false > 0]
    assert share.mean() == pytest.approx(YARD["false_risk"](threshold), abs=4 * share.std() / 20)


def within(rate, nominal, trials):
    return rate <= nominal + 3 * math.sqrt(nominal * (1 - nominal) / trials)


def test_few_false_alarms_are_kept_as_promised():
    made, broken = YARD["quiet"](40, 150)
    assert made == 1
    assert within(broken, 0.05, 150)


def test_precision_is_kept_as_promised_and_promised_often():
    made, broken = YARD["precise"](60, 100, 0.8)
    assert made > 0.9
    assert within(broken, 0.05, 100)


def test_recall_is_kept_on_average_and_not_by_far():
    """Conformal risk control: α − 2/(n + 1) ≤ mean risk ≤ α (Angelopoulos et al., theorems 1 and 2)."""
    made, missed = YARD["recalled"](60, 150)
    assert made == 1
    assert 0.1 - 2 / 61 - 0.005 < missed < 0.1 + 0.005  # the risk of one calibration has a deviation of .02


def test_frame_losses_are_counts(frames):
    """Against counting at each threshold from the start."""
    some = frames[:12]
    mark, number, loss = frame_losses(some)
    for index in (0, 5, 40, len(mark) - 1):
        shares = [
            np.mean(~r.hit[r.score >= np.float32(mark[index])])
            for r in some
            if (r.score >= np.float32(mark[index])).any()
        ]
        assert number[index] == len(shares)
        assert loss[index] == pytest.approx(np.mean(shares))


def test_the_cheapest_threshold_is_where_the_odds_are_the_ratio_of_costs(frames):
    """6·.97·φ(t − 3)·miss = 20·φ(t)·false, so 3t − 4.5 = ln(20·3/5.82): t = 2.278; there p = 3/(3 + 1)."""
    pick = CostWish(miss=1, false=3).pick(frames)
    assert pick.threshold == pytest.approx((math.log(60 / 5.82) + 4.5) / 3, abs=0.15)
    hits, false = 5.82 * norm.pdf(pick.threshold - 3), 20 * norm.pdf(pick.threshold)
    assert hits / (hits + false) == pytest.approx(3 / 4, abs=0.06)
    assert CostWish(miss=3, false=1).pick(frames).threshold < pick.threshold
    # One false alarm costs more than all shadows of twenty frames.
    assert CostWish(miss=1, false=1000).pick(frames[:20]).threshold >= max(r.false_scores.max() for r in frames[:20])


def test_costs_over_all_ratios_are_those_of_the_law(frames):
    """Shadows 6, of them 5.82·Φ(3 − t) hit, 20·Φ(−t) false: the least cost over t, over that of six misses."""
    t = np.linspace(-2, 8, 2001)
    exact = [(each * (6 - 5.82 * norm.sf(t - 3)) + 20 * norm.sf(t)).min() / (6 * each) for each in RATIOS]
    assert held_out_cost(frames) == pytest.approx(np.array(exact), abs=0.05)


def test_costs_are_those_of_the_half_that_did_not_choose(make_record):
    """What is found in one half alone is worth nothing in the other: a false alarm there costs 1/r of a miss."""
    frames = [make_record([3.0, 2.0], [HIT, FALSE_ALARM], truths=2, block=str(number)) for number in range(4)]
    chosen = {record.frame.block for record in halves(frames)[0]}
    swapped = [
        frame if frame.frame.block in chosen else make_record([3.0], [FALSE_ALARM], truths=1, block=frame.frame.block)
        for frame in frames
    ]
    assert held_out_cost(frames) == pytest.approx(np.full(len(RATIOS), 0.5))
    assert held_out_cost(swapped) == pytest.approx(1 + 1 / np.array(RATIOS))


def test_the_silent_cost_what_leaving_all_does_and_a_perfect_one_nothing(make_record):
    silent = [make_record([], [], truths=3, block=str(number)) for number in range(4)]
    perfect = [make_record([2.0, 1.0], [HIT, HIT], truths=2, block=str(number)) for number in range(4)]
    empty = [make_record([], [], truths=0, block=str(number)) for number in range(4)]
    assert (held_out_cost(silent) == 1).all()
    assert (held_out_cost(perfect) == 0).all()
    assert np.isnan(held_out_cost(empty)).all()
    assert np.isnan(held_out_cost(perfect[:1])).all()


def test_costs_on_held_out_frames(frames):
    wish = CostWish(miss=2, false=3)
    trial = wish.trial(frames[:200], frames[200:], 2.0)
    hits = sum((r.hit & (r.score > 2.0)).sum() for r in frames[200:])
    false = sum((r.false_scores > 2.0).sum() for r in frames[200:])
    counted = sum(r.frame.counted for r in frames[200:])
    assert trial.value == pytest.approx((2 * (counted - hits) + 3 * false) / 200)
    assert trial.untouched == pytest.approx(2 * counted / 200)
    assert trial.low < trial.value < trial.high < trial.untouched
    assert not trial.broken
    dear = CostWish(miss=1, false=50).trial(frames[:200], frames[200:], 0.0)
    assert dear.broken == "not surely cheaper than taking nothing"


@pytest.mark.parametrize(
    ("wish", "note"),
    [
        (Wish(), "needs 29 independent frames to choose on, there are 8"),
        (RecallWish(0.9), "needs 9 independent frames with shadows to choose on, there are 8"),
        (PrecisionWish(0.9), "needs 30 frames with finds to choose on, there are 8"),
    ],
)
def test_too_few_frames_are_said(wish, note, frames):
    dusty = [frame for frame in frames if frame.frame.counted][:8]
    pick = wish.pick(dusty)
    assert not pick.guaranteed
    assert note in pick.note
    assert math.isfinite(pick.threshold)
    assert not wish.trusts(pick, Trial(1, 1, 1), Counts(9, 0, 9))
    assert wish.trusts(Pick(0.0, True), Trial(1, 1, 1), Counts(9, 0, 9))


def test_what_no_threshold_can_do_is_said(frames):
    pick = RecallWish(0.99).pick(frames)  # three in a hundred have no candidate at all
    assert pick.threshold == math.inf
    assert "even the lowest threshold finds 97 % of" in pick.note
    pick = PrecisionWish(0.999).pick(frames)
    assert not pick.guaranteed
    assert "it needs 2996 frames with finds" in pick.note  # ln .05/ln .999 = 2994.2, and one more


@pytest.mark.parametrize(("wish", "words"), [(RecallWish(0.9), "found on"), (PrecisionWish(0.9), "is dust")])
def test_a_promise_that_held_out_frames_break_is_seen(wish, words, frames):
    """Chosen on one ground, tried on another: scores there mean something else."""
    threshold = 6.0 if wish.aim == "recall" else -1.0
    trial = wish.trial(frames[:40], frames[40:80], threshold)
    assert words in trial.broken
    assert not wish.trusts(Pick(threshold, True), trial, Counts(9, 0, 9))
    assert not wish.trial(frames[:40], frames[40:80], wish.pick(frames[:40]).threshold).broken


def test_a_high_recall_among_false_alarms_is_not_trusted():
    assert not RecallWish(0.9).trusts(Pick(0.0, True), Trial(0.95, 0.9, 1.0), Counts(9, 10, 10))


@pytest.mark.parametrize("wish", [Wish(), RecallWish(0.9), PrecisionWish(0.9), CostWish(1, 1)], ids=lambda w: w.aim)
def test_a_method_that_says_nothing_is_not_trusted(wish, frames):
    silent = [replace(r, result=replace(r.result, spots=r.result.spots[:0])) for r in frames[:80]]
    (cell,) = choose({"m": silent}, "m", wish)
    assert not cell.trusted
    assert cell.recall == 0
    assert math.isnan(cell.precision)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--recall", ".9", "--at-most", "1"], "--at-most, --recall ask for different things; take one of them"),
        (["--recall", ".9", "--confidence", ".9"], "--confidence, --recall ask for different things"),
        (["--cost-miss", "2"], "give both --cost-miss and --cost-false"),
        (["--at-most", "1 miss per frame"], "'1 miss per frame' is not a whole number"),
        (["--at-most", "2 false alarms per frame"], "holds no results"),
        (["--precision", "1"], "'1' is not a number between 0 and 1"),
        (["--cost-miss", "-2", "--cost-false", "1"], "'-2' is not a positive number"),
    ],
)
def test_wishes_that_make_no_sense(words, sentence, capsys, tmp_path):
    try:
        status = main(["threshold", str(tmp_path), *words])
    except SystemExit as left:
        status = left.code
    assert status == 2
    assert sentence in capsys.readouterr().err
