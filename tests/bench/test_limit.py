"""Detection limits: recovered, bounded where they can't be fitted, covered as often as promised."""

import math

import numpy as np
import pytest
from scipy.special import expit, logit

from moteyard.bench.cells import Record
from moteyard.bench.limit import (
    Limit,
    Status,
    bins,
    cell_limit,
    curve_band,
    demonstrates,
    fit_p_value,
    size_limit,
)
from moteyard.bench.limit_command import answer, limit_lines
from moteyard.bench.logit import fit, trials
from moteyard.bench.store import SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow

SLOPE, A50 = 4.0, 30.0
A90 = A50 * math.exp(logit(0.9) / SLOPE)


def grains(count, rng):
    size = np.exp(rng.uniform(np.log(10), np.log(100), count))
    return size, rng.random(count) < expit(SLOPE * np.log(size / A50))


def limit_of(size, found, block=None):
    size, found = np.asarray(size, dtype=float), np.asarray(found, dtype=bool)
    block = np.arange(len(size)) if block is None else block
    return Limit("sky", 16.0, 5.0, size, found, **size_limit(size, found, block))


@pytest.mark.parametrize(
    ("hits", "count", "shown"),
    [(29, 29, True), (45, 46, True), (59, 61, True), (73, 76, True), (85, 89, True), (28, 28, False), (44, 45, False)],
)
def test_the_table_of_90_95_demonstrations(hits, count, shown):
    # MIL-HDBK-1823A and its predecessors (from memory); 0.9²⁹ = 0.0471 < 0.05 < 0.9²⁸ = 0.0523.
    assert demonstrates(hits, count) is shown


def test_impossible_counts_are_refused():
    with pytest.raises(ValueError, match="5 of 4"):
        demonstrates(5, 4)


def test_many_grains_give_the_true_limit():
    limit = limit_of(*grains(5_000, np.random.default_rng(0)))
    assert limit.status is Status.FITTED
    assert limit.a50.estimate == pytest.approx(A50, rel=0.04)
    assert limit.a90.estimate == pytest.approx(A90, rel=0.04)
    assert limit.a90.low < A90 < limit.a90.high
    assert limit.a90.estimate < limit.a90_95 < limit.a90.high
    assert fit_p_value(limit.fit, limit.size_um, limit.found) > 0.001


def test_intervals_cover_as_often_as_promised():
    """60 grains a trial: the likelihood ratio covers .935 (delta method .897) by an independent simulation."""
    rng = np.random.default_rng(5)
    inside, above, shown = 0, 0, 0
    for _ in range(250):
        limit = limit_of(*grains(60, rng))
        if limit.status is Status.FITTED:
            shown += 1
            inside += limit.a90.low <= A90 <= limit.a90.high
            above += limit.a90_95 >= A90
    assert shown > 240
    # Three standard errors of 250 trials about .95.
    assert inside / shown == pytest.approx(0.95, abs=0.041)
    assert above / shown == pytest.approx(0.95, abs=0.041)


def test_grains_that_share_their_luck_widen_the_interval():
    rng = np.random.default_rng(6)

    def clustered(frames):
        size = np.exp(rng.uniform(np.log(10), np.log(100), (frames, 12)))
        found = rng.random(size.shape) < expit(SLOPE * np.log(size / A50) + rng.normal(0, 2, (frames, 1)))
        return size.ravel(), found.ravel(), np.repeat(np.arange(frames), 12)

    size, found, _ = clustered(20_000)
    intercept, slope = fit(trials(np.log(size), found)).beta
    goal = math.exp(-intercept / slope)
    corrected, naive = 0, 0
    for _ in range(60):
        size, found, block = clustered(25)
        with_blocks, without = limit_of(size, found, block), limit_of(size, found)
        corrected += with_blocks.a50.low <= goal <= with_blocks.a50.high
        naive += without.a50.low <= goal <= without.a50.high
    assert naive / 60 < 0.85
    assert corrected / 60 > 0.89


def test_separated_data_bound_the_limit():
    limit = limit_of([10, 20, 30, 40, 50], [0, 0, 1, 1, 1])
    assert limit.status is Status.SEPARATED
    assert (limit.a90.low, limit.a90.high) == (20, 30)
    assert math.isnan(limit.a90.estimate)
    assert limit.a90_95 == math.inf
    assert "all of 2 up to 20.0 µm are missed, all of 3 from 30.0 µm on found" in limit.note


def test_separation_with_29_finds_demonstrates():
    assert limit_of([10.0, *range(30, 59)], [0] + [1] * 29).a90_95 == 30
    assert limit_of([10.0, *range(30, 58)], [0] + [1] * 28).a90_95 == math.inf


def test_all_or_nothing_is_said():
    every = limit_of([10, 20, 30], [1, 1, 1])
    assert every.status is Status.ALL_FOUND
    assert "3 are too few to show 9 in 10" in every.note
    none = limit_of([10, 20, 30], [0, 0, 0])
    assert none.status is Status.NONE_FOUND
    assert (none.a90.low, none.a90.high) == (30, math.inf)
    assert limit_of([], []).status is Status.NO_GRAINS
    assert limit_of([20, 20, 20, 10], [1, 0, 1, 1]).status is not Status.FITTED


def test_found_only_when_small_has_no_limit():
    limit = limit_of([10, 20, 30, 40], [1, 1, 0, 0])
    assert limit.status is Status.SEPARATED
    assert math.isnan(limit.a90.high)
    rng = np.random.default_rng(0)
    size, found = grains(300, rng)
    assert limit_of(1000 / size, found).status is Status.FLAT


def test_a_weak_trend_has_an_open_end():
    rng = np.random.default_rng(3)
    size = np.exp(rng.uniform(np.log(10), np.log(100), 60))
    limit = limit_of(size, rng.random(60) < expit(0.2 * np.log(size / A50)))
    assert math.inf in (limit.a90.high, limit.a90_95)


def test_few_misses_are_said():
    rng = np.random.default_rng(2)
    size = rng.uniform(10, 100, 50)
    found = np.ones(50, dtype=bool)
    found[np.argsort(size)[[0, 3]]] = False
    assert "only 2 missed" in limit_of(size, found).note


def test_a_curve_that_does_not_fit_is_said():
    """Three in ten grains are lost whatever their size: no logistic curve levels off there."""
    rng = np.random.default_rng(4)
    size, found = grains(3000, rng)
    found &= rng.random(3000) < 0.7
    assert "do not follow the curve" in limit_of(size, found).note
    few = fit(trials(np.log(size[:30]), found[:30]))
    assert math.isnan(fit_p_value(few, size[:30], found[:30]))


def test_the_band_holds_the_curve_and_the_limit():
    limit = limit_of(*grains(200, np.random.default_rng(8)))
    middle, low, high = curve_band(limit, np.geomspace(10, 100, 50))
    assert (low < middle).all()
    assert (middle < high).all()
    # Where the upper edge of the band reaches 0.9 lies the lower end of a90, and the other way round.
    assert curve_band(limit, np.array([limit.a90.low]))[2] == pytest.approx(0.9, abs=1e-3)
    assert curve_band(limit, np.array([limit.a90.high]))[1] == pytest.approx(0.9, abs=1e-3)
    with pytest.raises(ValueError, match="has no curve"):
        curve_band(limit_of([1, 2], [0, 0]), np.array([1.0]))


def test_bins_hold_every_grain():
    groups = bins(np.arange(1.0, 21), np.arange(20) >= 10, count=8)
    assert sum(group.grains for group in groups) == 20
    assert sum(group.found for group in groups) == 10
    assert [group.size_um for group in groups] == sorted(group.size_um for group in groups)


def record(sizes, scores):
    """A frame with a row of shadows 50 px apart; a candidate on each, with its score."""
    truth = np.zeros(len(sizes), dtype=TRUTH_TYPE)
    truth["x"], truth["fwhm_px"], truth["diameter_um"] = 50 * np.arange(len(sizes)), 8, sizes
    spots = np.zeros(len(sizes), dtype=SPOT_TYPE)
    spots["x"], spots["score"] = truth["x"] + 2, scores
    frame = FrameRow("s", "sky/f16/000", "sky", 16.0, "b", 1.0, "", "", 0.01, 0.1, truth)
    return Record(frame, ResultRow("s", "m", "m-1-abc", None, 0.1, 0.1, spots))


def test_shadows_that_nobody_sees_are_trials_too():
    limit = cell_limit([record([10, 20, 30], [1, 6, 7])], 5.0)
    assert limit.found.tolist() == [False, True, True]
    assert (limit.a90.low, limit.a90.high) == (10, 20)


def test_the_answer_promises_nothing_beyond_the_largest_grain():
    many = limit_of(*grains(3000, np.random.default_rng(0)))
    assert answer(many).startswith("sky f/16: grains of 5")
    assert "larger are found 9 times in 10 (95 % confident: 5" in answer(many)
    weak = limit_of([10, 20, 30, 40, 50, 60], [0, 1, 0, 1, 0, 1])
    assert answer(weak) == "sky f/16: no size up to 60 µm is found 9 times in 10"


def test_lines_fit_the_terminal():
    limit = limit_of(*grains(60, np.random.default_rng(0)), block=np.arange(60) % 3)
    lines = limit_lines([limit, limit_of([10, 20, 30, 40, 50], [0, 0, 1, 1, 1])], "matched")
    assert max(map(len, lines)) <= 80
    assert any("only 3 independent frames" in line for line in lines)
