"""The test of a risk that is not monotone: p-values by hand, and how often it errs."""

import math

import numpy as np
import pytest

from moteyard.bench.learn_then_test import hoeffding_bentkus, lowest_passing


def test_p_values_by_hand():
    # Without loss: the binomial's 0.9^29 = .0471 beats e·0.9^29; with 28 frames .0523 is above 5 %.
    assert hoeffding_bentkus(0.0, np.array([28, 29]), 0.1) == pytest.approx([0.9**28, 0.9**29])
    # n 100, mean .05, α .1: Hoeffding exp(−100·(.05 ln .5 + .95 ln(.95/.9))) = .188, Bentkus e·.05758 = .1565.
    assert hoeffding_bentkus(0.05, 100, 0.1) == pytest.approx(math.e * 0.0575769, rel=1e-5)
    # n 50, mean 0.02 of loss below α .3: Hoeffding exp(−50·(.02 ln(.02/.3) + .98 ln(.98/.7))).
    assert hoeffding_bentkus(0.02, 50, 0.3) == pytest.approx(
        math.exp(-50 * (0.02 * math.log(0.02 / 0.3) + 0.98 * math.log(0.98 / 0.7))), rel=1e-9
    )
    assert hoeffding_bentkus(0.4, 50, 0.3) == pytest.approx(1.0)


def test_five_losses_of_a_hundred_are_five_and_not_six():
    """Rounding the sum up must not charge a loss that wasn't; six would be e·.117."""
    above = 0.05 + 1e-15
    assert above * 100 > 5
    assert hoeffding_bentkus(above, 100, 0.1) == pytest.approx(hoeffding_bentkus(0.05, 100, 0.1), rel=1e-9)


@pytest.mark.parametrize("law", ["halves", "beta"])
def test_a_p_value_is_small_no_more_often_than_it_says(law):
    rng = np.random.default_rng(0)
    draw = {"halves": lambda: 0.5 * rng.binomial(2, 0.2, 40), "beta": lambda: rng.beta(0.2, 0.8, 40)}[law]
    p = np.array([float(hoeffding_bentkus(draw().mean(), 40, 0.2)) for _ in range(4000)])
    for level in (0.05, 0.2):
        assert np.mean(p <= level) <= level + 3 * math.sqrt(level * (1 - level) / 4000)


def one_candidate_a_frame(false):
    frames = np.arange(1.0, len(false) + 1)
    return np.cumsum(false) / frames, frames


def test_the_walk_stops_at_the_first_failure():
    clean = np.zeros(100)
    assert lowest_passing(*one_candidate_a_frame(clean), alpha=0.1, delta=0.05) == 99
    dirty = clean.copy()
    dirty[50:] = 1
    loss, frames = one_candidate_a_frame(dirty)
    last = lowest_passing(loss, frames, alpha=0.1, delta=0.05)
    assert hoeffding_bentkus(loss[last], frames[last], 0.1) <= 0.05 < hoeffding_bentkus(loss[last + 1], last + 2, 0.1)
    dirty[3] = 1  # among the first 29
    assert lowest_passing(*one_candidate_a_frame(dirty), alpha=0.1, delta=0.05) is None


def test_too_few_frames_pass_never():
    assert lowest_passing(*one_candidate_a_frame(np.zeros(29)), alpha=0.1, delta=0.05) is None
    assert lowest_passing(*one_candidate_a_frame(np.zeros(30)), alpha=0.1, delta=0.05) == 29
    assert lowest_passing(np.zeros(0), np.zeros(0), alpha=0.1, delta=0.05) is None


def test_a_loss_that_is_just_too_large_passes_as_often_as_allowed():
    """Every find is false with chance 0.1, whatever its score: any pass errs, and 0.9^29 = .0471 of runs do.

    A start at 30 frames or an order that looks at the labels would miss this number from either side.
    """
    rng = np.random.default_rng(1)
    trials = 6000
    passed = sum(
        lowest_passing(*one_candidate_a_frame(rng.random(60) < 0.1), alpha=0.1, delta=0.05) is not None
        for _ in range(trials)
    )
    assert passed / trials == pytest.approx(0.9**29, abs=3 * math.sqrt(0.047 * 0.953 / trials))
