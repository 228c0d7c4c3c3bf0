import numpy as np
import pytest

from moteyard.bench.interval import Resampled, bootstrap_weights, resample
from moteyard.bench.ranking import holm, rank, resolution

BLOCKS = 30


def mean_of(values):
    return lambda weights: weights @ values / weights.sum(axis=1)


def board(values, *, seed=0, replicates=800):
    weights = bootstrap_weights(len(next(iter(values.values()))), replicates, rng=np.random.default_rng(seed))
    return {name: resample(mean_of(np.asarray(column)), weights) for name, column in values.items()}


def ranks(found):
    return {row.method: row.rank for row in found.rows}


def noise(rng, scale=0.02):
    return rng.normal(0, scale, BLOCKS)


@pytest.fixture
def methods():
    rng = np.random.default_rng(1)
    scene = rng.normal(0.5, 0.2, BLOCKS)  # scenes differ far more than methods do
    good = scene + 0.3
    columns = {"good": good, "twin": good - 0.001 + noise(rng), "poor": scene + noise(rng)}
    return board(columns)


def test_a_clear_winner_is_alone_and_twins_share_a_rank(methods):
    assert ranks(rank({name: methods[name] for name in ("good", "poor")})) == {"good": 1, "poor": 2}
    assert ranks(rank(methods)) == {"good": 1, "twin": 1, "poor": 3}


def test_pairing_tells_apart_what_single_intervals_do_not(methods):
    rows = {row.method: row for row in rank({name: methods[name] for name in ("good", "poor")}).rows}
    rng = np.random.default_rng(2)
    scene = rng.normal(0.5, 0.5, BLOCKS)
    close = rank(board({"a": scene + 0.05, "b": scene + noise(rng)}))
    assert [row.rank for row in close.rows] == [1, 2]
    assert close.rows[0].low < close.rows[1].high
    assert rows["poor"].difference == pytest.approx(-0.3, abs=0.02)
    assert rows["poor"].difference_low < rows["poor"].difference < rows["poor"].difference_high < 0


def test_the_best_is_compared_with_nothing(methods):
    first = rank(methods).rows[0]
    assert np.isnan([first.difference, first.difference_low, first.difference_high, first.p_value]).all()
    assert first.low < first.estimate < first.high


def test_identical_methods_share_a_rank_and_stand_in_order_of_name():
    values = np.random.default_rng(3).normal(size=BLOCKS)
    found = rank(board({"b": values, "c": values, "a": values}))
    assert [(row.method, row.rank) for row in found.rows] == [("a", 1), ("b", 1), ("c", 1)]
    assert [row.p_value for row in found.rows[1:]] == [1, 1]
    assert found.resolution == 0


def test_the_order_in_which_methods_are_given_does_not_matter(methods):
    backwards = dict(reversed(list(methods.items())))
    assert repr(rank(backwards)) == repr(rank(methods))


def test_many_clear_steps_are_all_told_apart():
    rng = np.random.default_rng(4)
    columns = {f"m{step:02}": 1 - 0.1 * step + noise(rng) for step in range(12)}
    found = rank(board(columns, replicates=300))
    assert [row.rank for row in found.rows] == list(range(1, 13))


def test_equal_methods_are_rarely_told_apart():
    wrong = 0
    for seed in range(120):
        rng = np.random.default_rng(1000 + seed)
        found = rank(board({f"m{one}": noise(rng) for one in range(6)}, seed=seed, replicates=400))
        wrong += max(ranks(found).values()) > 1
    assert wrong / 120 < 0.13  # 0.05 nominal; the bootstrap of 30 blocks runs a little above


def test_a_method_without_an_estimate_comes_last(methods):
    lost = Resampled(np.nan, np.full(800, np.nan), np.full(BLOCKS, np.nan))
    found = rank({"a-lost": lost, "b-lost": lost} | methods)
    assert ranks(found) == {"good": 1, "twin": 1, "poor": 3, "a-lost": 4, "b-lost": 4}
    assert found.rows[-1].method == "b-lost"
    assert found.resolution == rank(methods).resolution


def test_one_block_tells_nothing_apart():
    found = rank(board({"a": [0.9], "b": [0.1]}))
    assert [(row.method, row.rank) for row in found.rows] == [("a", 1), ("b", 1)]
    assert np.isnan(found.resolution)


def test_boards_of_none_and_one(methods):
    assert rank({}).rows == ()
    alone = rank({"good": methods["good"]})
    assert [row.rank for row in alone.rows] == [1]
    assert np.isnan(alone.resolution)


def test_resolution_is_what_a_test_of_80_percent_power_finds():
    weights = bootstrap_weights(BLOCKS, 3000, rng=np.random.default_rng(5))
    values = noise(np.random.default_rng(6), scale=1.0)
    gap = resample(mean_of(values), weights)
    assert resolution([gap]) == pytest.approx(2.8 * values.std() / np.sqrt(BLOCKS), rel=0.05)


def test_holm_by_hand_and_against_statsmodels():
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    assert holm([np.nan, 0.02]) == pytest.approx([1, 0.04])
    assert holm([]).shape == (0,)
    p = np.random.default_rng(7).uniform(0, 0.2, 20)
    assert holm(p) == pytest.approx(multitest.multipletests(p, method="holm")[1])
