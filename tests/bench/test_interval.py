import numpy as np
import pytest
from scipy import stats

from moteyard.bench.interval import (
    Resampled,
    bca,
    bootstrap_weights,
    difference,
    mean_interval,
    p_value,
    resample,
)


def mean_of(values):
    return lambda weights: weights @ values / weights.sum(axis=1)


def leave_one_out(values):
    return np.array([np.delete(values, index).mean() for index in range(len(values))])


def constant(value, *, replicates=100, blocks=5):
    return Resampled(value, np.full(replicates, value), np.full(blocks, value))


def test_weights_are_counts_of_a_draw_with_replacement():
    weights = bootstrap_weights(7, 5000, rng=np.random.default_rng(0))
    assert weights.shape == (5000, 7)
    assert (weights.sum(axis=1) == 7).all()
    assert weights.mean(axis=0) == pytest.approx(np.ones(7), abs=0.06)  # 4.6 standard errors
    assert (weights == 0).mean() == pytest.approx((6 / 7) ** 7, abs=0.01)


def test_the_same_generator_gives_the_same_weights():
    one, other = (bootstrap_weights(5, 20, rng=np.random.default_rng(3)) for _ in range(2))
    assert (one == other).all()


def test_bca_without_bias_and_skew_is_the_percentile_interval():
    found = bca(Resampled(50.0, np.arange(101.0), np.array([-1.0, 0.0, 1.0])), level=0.9)
    assert (found.estimate, found.low, found.high) == pytest.approx((50, 5, 95))


@pytest.mark.parametrize("seed", range(3))
def test_bca_equals_scipy_on_the_same_replicates(seed):
    rng = np.random.default_rng(seed)
    values = rng.exponential(size=15)
    theirs = stats.bootstrap((values,), np.mean, n_resamples=999, method="BCa", rng=rng)
    ours = bca(Resampled(values.mean(), theirs.bootstrap_distribution, leave_one_out(values)))
    interval = theirs.confidence_interval
    assert (ours.low, ours.high) == pytest.approx((interval.low, interval.high), rel=1e-9)


def test_weights_give_the_interval_that_scipy_draws_for_itself():
    values = np.random.default_rng(4).exponential(size=20)
    theirs = stats.bootstrap((values,), np.mean, n_resamples=20_000, rng=np.random.default_rng(5))
    weights = bootstrap_weights(20, 20_000, rng=np.random.default_rng(6))
    ours = bca(resample(mean_of(values), weights))
    width = ours.high - ours.low
    assert ours.low == pytest.approx(theirs.confidence_interval.low, abs=0.03 * width)
    assert ours.high == pytest.approx(theirs.confidence_interval.high, abs=0.03 * width)


def test_jackknife_leaves_one_block_out():
    values = np.array([1.0, 2.0, 6.0, 7.0])
    found = resample(mean_of(values), np.ones((1, 4)))
    assert found.estimate == 4.0
    assert found.jackknife == pytest.approx(leave_one_out(values))


def test_standard_error_of_a_mean():
    values = np.random.default_rng(7).normal(size=50)
    found = resample(mean_of(values), bootstrap_weights(50, 4000, rng=np.random.default_rng(8)))
    assert found.standard_error == pytest.approx(values.std() / np.sqrt(50), rel=0.05)


def test_a_paired_difference_cancels_what_both_share():
    shared, weights = np.linspace(0, 9, 10), bootstrap_weights(10, 200, rng=np.random.default_rng(9))
    gap = difference(resample(mean_of(shared + 0.25), weights), resample(mean_of(shared), weights))
    found = bca(gap)
    assert (found.low, found.high) == pytest.approx((0.25, 0.25))


def test_equal_replicates_give_a_point():
    found = bca(constant(0.7))
    assert (found.low, found.high) == (0.7, 0.7)


def test_one_block_has_no_interval():
    lonely = resample(mean_of(np.array([3.0])), bootstrap_weights(1, 50, rng=np.random.default_rng(0)))
    assert lonely.estimate == 3.0
    assert np.isnan([bca(lonely).low, lonely.standard_error, p_value(lonely)]).all()


def test_undefined_replicates_are_left_out_until_they_are_most():
    values = np.arange(101.0)
    some = Resampled(50.0, np.concatenate([values, np.full(40, np.nan)]), np.array([1.0, np.nan, 2.0]))
    assert bca(some) == bca(Resampled(50.0, values, np.array([1.0, np.nan, 2.0])))
    most = Resampled(50.0, np.concatenate([values, np.full(101, np.nan)]), np.arange(3.0))
    assert np.isnan(bca(most).low)
    assert np.isnan(bca(Resampled(np.nan, values, np.arange(3.0))).low)


def test_an_estimate_outside_its_replicates_still_has_finite_ends():
    found = bca(Resampled(1.0, np.linspace(0.1, 0.9, 99), np.array([0.9, 1.0, 1.0])))
    assert np.isfinite([found.low, found.high]).all()
    assert found.low <= found.high


def coverage(blocks, draw, truth, *, method=bca, trials=500):
    rng = np.random.default_rng(blocks)
    weights = bootstrap_weights(blocks, 600, rng=rng)
    inside = 0
    for _ in range(trials):
        interval = method(resample(mean_of(draw(rng, blocks)), weights))
        inside += interval.low <= truth <= interval.high
    return inside / trials


def test_bca_covers_a_normal_mean():
    # 0.95 nominal; a bootstrap of 30 falls about a hundredth short, 0.03 is three standard errors.
    assert coverage(30, lambda rng, n: rng.normal(size=n), 0.0) == pytest.approx(0.94, abs=0.03)


def test_bca_covers_a_skewed_mean_nearly_as_well():
    found = coverage(30, lambda rng, n: rng.exponential(size=n), 1.0)
    assert 0.89 < found < 0.97


@pytest.mark.parametrize("shift", [-0.3, -0.2, 0.3, 0.4])
def test_p_value_is_where_the_interval_just_reaches_zero(shift):
    values = np.random.default_rng(10).exponential(size=25) - 1 + shift
    found = resample(mean_of(values), bootstrap_weights(25, 3999, rng=np.random.default_rng(11)))
    p = p_value(found)
    wider, narrower = bca(found, level=1 - 0.8 * p), bca(found, level=1 - 1.2 * p)
    assert wider.low < 0 < wider.high
    assert narrower.low > 0 or narrower.high < 0


def test_p_value_of_nothing_and_of_certainty():
    assert p_value(constant(0.0)) == 1.0
    assert p_value(constant(0.3)) == p_value(constant(-0.3)) == 0.0


def test_p_value_beyond_the_replicates_is_that_of_the_t_test():
    values = np.random.default_rng(13).normal(1.2, 1, size=20)
    found = resample(mean_of(values), bootstrap_weights(20, 4000, rng=np.random.default_rng(14)))
    # The bootstrap divides by n where the t-test divides by n − 1.
    scaled = stats.t.sf(values.mean() / (values.std() / np.sqrt(20)), 19) * 2
    assert found.replicates.min() > 0
    assert np.log10(p_value(found)) == pytest.approx(np.log10(scaled), abs=0.2)


def test_p_values_of_no_effect_are_rarely_small():
    rng = np.random.default_rng(12)
    weights = bootstrap_weights(25, 600, rng=rng)
    found = [p_value(resample(mean_of(rng.normal(size=25)), weights)) for _ in range(500)]
    assert np.mean(np.array(found) < 0.05) == pytest.approx(0.06, abs=0.03)


def test_wrong_input_is_named():
    with pytest.raises(ValueError, match="blocks and replicates must be ≥ 1"):
        bootstrap_weights(0, 5, rng=np.random.default_rng(0))
    with pytest.raises(ValueError, match="same weights"):
        difference(constant(0.0, replicates=5), constant(0.0, replicates=6))
    with pytest.raises(ValueError, match="level must lie between 0 and 1"):
        bca(constant(0.0), level=95)


def test_a_mean_over_blocks_is_the_mean_and_knows_that_blocks_are_one():
    rng = np.random.default_rng(6)
    values, names = rng.normal(size=40), [f"b{number}" for number in range(40)]
    apart = mean_interval(np.append(values, np.nan), [*names, "empty"])
    theirs = stats.bootstrap((values,), np.mean, n_resamples=5000, method="BCa", rng=rng).confidence_interval
    assert apart.estimate == pytest.approx(values.mean())
    assert (apart.low, apart.high) == pytest.approx((theirs.low, theirs.high), abs=0.03)
    twice = mean_interval(np.repeat(values, 2), np.repeat(names, 2).tolist())
    assert (twice.low, twice.high) == pytest.approx((apart.low, apart.high))
    assert np.isnan(mean_interval(np.array([np.nan]), ["b"]).estimate)
