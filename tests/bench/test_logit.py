"""Logistic regression against published fits and another library; its intervals against simulation."""

import math

import numpy as np
import pytest
from scipy.special import expit, logit, xlogy
from scipy.stats import chi2

from moteyard.bench.logit import NoFitError, Trials, boundary, dispersion, fit, is_separated, trials

# Tobacco budworm moths, 20 a dose, log₂ dose 0…5 (Collett 1991; data and results as in Venables & Ripley,
# Modern Applied Statistics with S, 4th ed. 2002, §7.2, from memory).
BUDWORM_MALES, BUDWORM_FEMALES = (1, 4, 9, 13, 18, 20), (0, 2, 6, 10, 12, 16)

# Flour beetles (Bliss 1935), as in Dobson, An Introduction to Generalized Linear Models, table 7.2 (from memory).
BEETLE_DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
BEETLE_DEAD = np.array([6.0, 13, 18, 28, 52, 53, 61, 60])
BEETLES = np.array([59.0, 60, 62, 56, 63, 59, 62, 60])


def beetles():
    return fit(Trials(np.column_stack([np.ones(8), BEETLE_DOSE]), BEETLE_DEAD, BEETLES))


def test_beetles_of_bliss():
    found = beetles()
    assert found.beta == pytest.approx([-60.7175, 34.2703], abs=1e-4)
    saturated = xlogy(BEETLE_DEAD, BEETLE_DEAD / BEETLES) + xlogy(BEETLES - BEETLE_DEAD, 1 - BEETLE_DEAD / BEETLES)
    assert 2 * (saturated.sum() - found.log_likelihood) == pytest.approx(11.2322, abs=1e-4)  # the deviance
    # Standard errors 5.18 and 2.91 (Dobson, from memory).
    assert np.sqrt(np.diag(np.linalg.inv(found.information))) == pytest.approx([5.18, 2.91], abs=0.01)


def test_budworm_doses():
    male = np.repeat([1.0, 0.0], 6)
    design = np.column_stack([1 - male, male, np.tile(np.arange(6.0), 2)])
    found = fit(Trials(design, np.array([*BUDWORM_MALES, *BUDWORM_FEMALES], dtype=float), np.full(12, 20.0)))
    intercept, slope = found.beta[0], found.beta[2]
    covariance = np.linalg.inv(found.information)[np.ix_([0, 2], [0, 2])]
    for share, dose, error in [
        (0.25, 2.231265, 0.2499089),
        (0.50, 3.263587, 0.2297539),
        (0.75, 4.295910, 0.2746874),
    ]:
        ours = (logit(share) - intercept) / slope
        gradient = -np.array([1, ours]) / slope
        assert ours == pytest.approx(dose, abs=1e-6)
        # The delta method, here only as a check of the information.
        assert math.sqrt(gradient @ covariance @ gradient) == pytest.approx(error, abs=1e-6)


def random_trials(seed, count=200):
    rng = np.random.default_rng(seed)
    x = np.log(rng.uniform(10, 100, count))
    return x, rng.random(count) < expit(-9 + 2.6 * x)


@pytest.mark.parametrize("seed", range(4))
def test_against_another_library(seed):
    from statsmodels.discrete.discrete_model import Logit

    x, y = random_trials(seed)
    theirs = Logit(y.astype(float), np.column_stack([np.ones_like(x), x])).fit(disp=0, tol=1e-12)
    ours = fit(trials(x, y))
    assert ours.beta == pytest.approx(theirs.params, rel=1e-6)
    assert ours.log_likelihood == pytest.approx(theirs.llf, rel=1e-9)
    assert np.linalg.inv(ours.information) == pytest.approx(theirs.cov_params(), rel=1e-5)


def test_the_boundary_gives_the_profile_of_each_parameter():
    """The extreme slopes on the boundary are where the likelihood, profiled by brute force, has dropped by c."""
    x, y = random_trials(9)
    found = fit(trials(x, y))
    drop = chi2.ppf(0.95, 1)
    edge = boundary(found, drop)
    assert 2 * (found.log_likelihood - found.data.log_likelihood(edge.T)) == pytest.approx(drop, rel=1e-6)
    for slope in (edge[:, 1].min(), edge[:, 1].max()):
        intercept = np.linspace(-20, 2, 20_001)
        held = np.stack([intercept, np.full_like(intercept, slope)])
        best = max(found.data.log_likelihood(part).max() for part in np.array_split(held, 20, axis=1))
        assert 2 * (found.log_likelihood - best) == pytest.approx(drop, rel=1e-3)


@pytest.mark.parametrize(
    ("x", "y", "separated"),
    [
        ([1, 2, 3, 4], [0, 0, 1, 1], True),
        ([1, 2, 3, 4], [1, 1, 0, 0], True),
        ([1, 2, 2, 3], [0, 0, 1, 1], True),  # a tie at the parting value: no maximum either
        ([1, 2, 3, 4], [0, 1, 0, 1], False),
        ([1, 2, 3], [1, 1, 1], True),
        ([1, 2, 3], [0, 0, 0], True),
    ],
)
def test_separation(x, y, separated):
    assert is_separated(np.array(x), np.array(y)) is separated
    if separated:
        with pytest.raises(NoFitError, match=r"no maximum within|separated"):
            fit(trials(np.array(x), np.array(y)))
    else:
        assert np.isfinite(fit(trials(np.array(x), np.array(y))).beta).all()


def test_one_value_of_the_variable_has_no_fit():
    with pytest.raises(NoFitError, match="does not vary"):
        fit(trials(np.ones(4), np.array([0, 1, 0, 1])))


def test_dispersion_of_copies_is_their_number():
    """Each trial ten times in a block of its own is ten times as variable as the fit believes."""
    x, y = random_trials(1, count=400)
    found = fit(trials(np.repeat(x, 10), np.repeat(y, 10)))
    assert dispersion(found, np.repeat(np.arange(400), 10)) == pytest.approx(10, rel=0.2)
    assert dispersion(found, np.arange(4000)) == pytest.approx(1, abs=0.2)
    assert math.isnan(dispersion(found, np.zeros(4000)))
