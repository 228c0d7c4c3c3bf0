import numpy as np
import pytest

from moteyard.bench.order_threshold import (
    conformal_threshold,
    frame_statistic,
    frames_needed,
    order_for,
    quiet_threshold,
)


def frames_with(values):
    """One false alarm a frame, of the given score; with most=0 it is the frame's statistic."""
    return [np.array([value]) for value in values]


@pytest.mark.parametrize(
    ("alpha", "delta", "frames"),
    [(0.05, 0.05, 59), (0.1, 0.05, 29), (0.1, 0.1, 22), (0.5, 0.25, 2), (0.5, 0.5, 1)],
)
def test_frames_needed(alpha, delta, frames):
    # 59 and 29 are the zero-failure demonstrations of 95/95 and 90/95: 0.95^59 = .0485, 0.9^29 = .0471.
    assert frames_needed(alpha, delta) == frames
    assert (1 - alpha) ** frames <= delta < (1 - alpha) ** (frames - 1)


def test_frames_needed_is_the_least_number_that_does():
    for alpha in np.linspace(0.01, 0.9, 30):
        for delta in np.linspace(0.01, 0.9, 30):
            n = frames_needed(alpha, delta)
            assert (1 - alpha) ** n <= delta
            assert n == 1 or (1 - alpha) ** (n - 1) > delta
            assert order_for(n, alpha=alpha, delta=delta)[1] <= delta


@pytest.mark.parametrize(("frames", "order"), [(59, 59), (93, 92), (100, 99), (1000, 962)])
def test_orders_at_five_percent_and_five_percent(frames, order):
    # 99 of 100 and 962 of 1000: Tong, Feng and Li 2018 (from memory). With 93 the second largest first
    # suffices: 0.95^93 + 93·0.05·0.95^92 = .0500 (the 95/95 plan with one failure).
    found, bound = order_for(frames, alpha=0.05, delta=0.05)
    assert found == order
    assert 0 < bound <= 0.05


def test_the_statistic_is_the_lowest_threshold_that_keeps_a_frame_quiet():
    rng = np.random.default_rng(0)
    for _ in range(50):
        scores = rng.integers(0, 6, rng.integers(0, 12)).astype(float)
        for most in range(4):
            t = frame_statistic(scores, most=most)
            assert (scores > t).sum() <= most
            if np.isfinite(t):
                assert (scores >= t).sum() > most


def test_a_quiet_frame_allows_everything_and_a_broken_one_nothing():
    assert frame_statistic(np.zeros(0), most=0) == -np.inf
    assert frame_statistic(np.ones(3), most=3) == -np.inf
    assert frame_statistic(np.array([np.inf, 1.0]), most=0) == np.inf
    silent = quiet_threshold([np.zeros(0)] * 60, most=0)
    assert silent.threshold == -np.inf
    loud = quiet_threshold(frames_with([1.0] * 30 + [np.inf] * 30), most=0)
    assert loud.threshold == np.inf


def test_with_just_enough_frames_the_noisiest_decides():
    found = quiet_threshold(frames_with(np.random.default_rng(1).permutation(59)), most=0)
    assert (found.threshold, found.order, found.frames) == (58.0, 59, 59)
    assert found.bound == pytest.approx(0.95**59)


def test_with_a_hundred_frames_one_may_be_noisier():
    found = quiet_threshold(frames_with(range(100)), most=0)
    assert found.threshold == 98.0
    assert found.bound == pytest.approx(0.0371, abs=5e-5)


def test_more_false_alarms_allowed_means_a_lower_threshold():
    scores = [np.arange(10.0) + frame for frame in range(80)]
    thresholds = [quiet_threshold(scores, most=most).threshold for most in (0, 1, 5, 10)]
    assert thresholds[:3] == [thresholds[0], thresholds[0] - 1, thresholds[0] - 5]
    assert thresholds[3] == -np.inf


@pytest.mark.parametrize("frames", [59, 100, 200])
def test_the_promise_fails_no_more_often_than_delta(frames):
    # Statistics uniform in 0…1: the share of frames above the threshold is 1 − threshold exactly.
    rng = np.random.default_rng(frames)
    order, bound = order_for(frames, alpha=0.05, delta=0.05)
    drawn = np.sort(rng.random((20_000, frames)), axis=1)[:, order - 1]
    broken = np.mean(1 - drawn > 0.05)
    assert broken == pytest.approx(bound, abs=0.006)  # four standard errors
    assert broken < 0.056


def test_one_order_lower_would_break_it():
    rng = np.random.default_rng(2)
    drawn = np.sort(rng.random((5000, 100)), axis=1)[:, 97]
    assert np.mean(1 - drawn > 0.05) > 0.09


def test_a_real_run_of_frames_keeps_the_promise():
    rng = np.random.default_rng(3)
    broken = 0
    for _ in range(200):
        calibration = [rng.normal(size=count) for count in rng.poisson(8, 60)]
        threshold = quiet_threshold(calibration, most=2, alpha=0.05, delta=0.05).threshold
        later = [(rng.normal(size=count) > threshold).sum() > 2 for count in rng.poisson(8, 400)]
        broken += np.mean(later) > 0.05 + 0.02  # 0.02 for judging by 400 frames only
    assert broken / 200 < 0.06


def test_too_few_frames_say_how_many_are_needed():
    with pytest.raises(ValueError, match="need ≥ 59 calibration frames, not 58"):
        quiet_threshold(frames_with(range(58)), most=0)


def losses_with(bad, frames):
    """Two thresholds: at the first `bad` frames are too loud, at the second none is."""
    table = np.zeros((frames, 2))
    table[:bad, 0] = 1
    return table, np.array([1.0, 2.0])


def test_conformal_with_99_frames_at_a_tenth_allows_nine():
    # R̂ ≤ (0.1·100 − 1)/99 = .0909 (worked by hand from Angelopoulos et al.).
    assert conformal_threshold(*losses_with(9, 99), alpha=0.1) == 1.0
    assert conformal_threshold(*losses_with(10, 99), alpha=0.1) == 2.0


def test_conformal_counts_whole_frames_without_rounding():
    # 0.29 · 100 is 28.999… in binary; 28 bad frames of 99 are allowed all the same.
    assert conformal_threshold(*losses_with(28, 99), alpha=0.29) == 1.0


def test_conformal_without_a_quiet_threshold_lets_in_nothing():
    table = np.ones((99, 1))
    assert conformal_threshold(table, np.array([5.0]), alpha=0.1) == np.inf


def test_conformal_with_a_larger_bound_is_stricter():
    table, marks = losses_with(9, 99)
    assert conformal_threshold(table, marks, alpha=0.1, largest_loss=2.0) == 2.0


def test_conformal_bounds_the_mean():
    rng = np.random.default_rng(4)
    marks = np.linspace(0, 1, 201)
    risks = []
    for _ in range(400):
        statistics = rng.random(50)
        table = (statistics[:, None] > marks).astype(float)
        risks.append(1 - conformal_threshold(table, marks, alpha=0.1))
    assert np.mean(risks) < 0.1 + 0.006  # three standard errors
    assert np.mean(risks) > 0.07


def test_wrong_input_is_named():
    with pytest.raises(ValueError, match="alpha must lie between 0 and 1, not 1"):
        frames_needed(1.0, 0.05)
    with pytest.raises(ValueError, match="delta must lie between 0 and 1, not 0"):
        frames_needed(0.05, 0)
    with pytest.raises(ValueError, match="most must be a count"):
        frame_statistic(np.ones(3), most=True)
    with pytest.raises(ValueError, match="most must be a count ≥ 0, not -1"):
        frame_statistic(np.ones(3), most=-1)
    with pytest.raises(ValueError, match="score nan"):
        frame_statistic(np.array([np.nan]), most=0)
    with pytest.raises(ValueError, match="needs ≥ 9 calibration frames, not 8"):
        conformal_threshold(*losses_with(0, 8), alpha=0.1)
    with pytest.raises(ValueError, match="thresholds must ascend"):
        conformal_threshold(np.zeros((9, 2)), np.array([2.0, 1.0]), alpha=0.1)
    with pytest.raises(ValueError, match="must not rise with the threshold"):
        conformal_threshold(np.tile([0.0, 1.0], (9, 1)), np.array([1.0, 2.0]), alpha=0.1)
    with pytest.raises(ValueError, match="losses must lie in 0…1"):
        conformal_threshold(np.full((9, 1), 3.0), np.array([1.0]), alpha=0.1)
    with pytest.raises(ValueError, match="one column a threshold"):
        conformal_threshold(np.zeros((9, 1)), np.array([1.0, 2.0]), alpha=0.1)
