"""Tabled normal deviates against the normal distribution of SciPy, their tails, their stream."""

import numpy as np
import pytest
from scipy import fft, stats

from moteyard.generators.normals import Normals, _means

COUNT = 4_000_000


@pytest.fixture(scope="module")
def many():
    return Normals(np.random.default_rng(11)).draw((COUNT,)).astype(float)


def test_deviates_follow_the_normal_distribution(many):
    # Kolmogorov's distance of a true sample exceeds 1.95/√n once in a thousand (any table of the test).
    assert stats.kstest(many, "norm").statistic < 1.95 / np.sqrt(COUNT)
    # Standard errors: mean 1/√n, variance √(2/n), skewness √(6/n), kurtosis √(24/n).
    assert abs(many.mean()) < 4 / np.sqrt(COUNT)
    assert abs(many.var() - 1) < 4 * np.sqrt(2 / COUNT)
    assert abs(stats.skew(many)) < 4 * np.sqrt(6 / COUNT)
    assert abs(stats.kurtosis(many)) < 4 * np.sqrt(24 / COUNT)


@pytest.mark.parametrize("beyond", [3.0, 3.5, 4.0, 4.5])
def test_tails_are_as_heavy_as_they_should_be(many, beyond):
    expected = COUNT * stats.norm.sf(beyond)
    for side in (-1, 1):
        assert abs((side * many > beyond).sum() - expected) < 4.5 * np.sqrt(expected)


def test_the_table_itself_errs_by_less_than_a_converter_step(many):
    table = _means().astype(float)
    assert 1 - np.mean(table**2) < 2e-6
    assert np.diff(table)[88:-88].max() < 0.0035
    assert table[87] < -3 < table[88]
    # Beyond 3 the deviates are not the table's.
    assert len(np.unique(many[many > 3])) > 0.99 * (many > 3).sum()


def test_deviates_are_white():
    # The largest of n exponentially distributed periodogram ordinates stays below ln n + 7 but once in a thousand.
    noise = Normals(np.random.default_rng(5)).draw((1024, 1024))
    power = np.abs(fft.rfft2(noise)) ** 2 / noise.size
    assert power[1:, 1:-1].mean() == pytest.approx(1, abs=0.01)
    assert power[1:, 1:-1].max() < np.log(power.size) + 7


def test_pieces_of_a_multiple_of_four_equal_the_whole():
    whole = Normals(np.random.default_rng(2)).draw((400, 30))
    stream = Normals(np.random.default_rng(2))
    pieces = [stream.draw((rows, 30)) for rows in (16, 100, 84, 200)]
    assert np.array_equal(whole, np.concatenate(pieces))
    assert np.abs(whole).max() > 3


def test_other_seeds_give_other_noise():
    first, second = (Normals(np.random.default_rng(seed)).draw((20_000,)) for seed in (1, 2))
    assert abs(np.corrcoef(first, second)[0, 1]) < 4 / np.sqrt(20_000)
