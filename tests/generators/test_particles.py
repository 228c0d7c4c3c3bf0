"""Grain populations against the cleanliness formula and by statistics."""

import numpy as np
import pytest
from scipy import stats

from moteyard.generators.particles import CLEANED_SLOPE, FALLOUT_SLOPE, Population

# IEST-STD-CC1246 / MIL-STD-1246C: log₁₀ N(≥x) = 0.926 (log₁₀² L − log₁₀² x) a 0.1 m². Counts from the equation.
COUNTS = {
    100: {5: 1785, 15: 265, 25: 78.4, 50: 10.7, 100: 1},
    200: {5: 28220, 15: 4189, 25: 1240, 50: 170, 100: 15.8},
    300: {5: 169700, 15: 25190, 25: 7455, 50: 1021, 100: 95.1},
}


@pytest.mark.parametrize("level", COUNTS)
def test_cumulative_counts_of_the_standard(level):
    population = Population(level=level, slope=CLEANED_SLOPE)
    for size, count in COUNTS[level].items():
        assert float(population.cumulative(size)) == pytest.approx(count, rel=5e-3)


@pytest.mark.parametrize(("level", "all_grains", "large"), [(100, 15.4, 1.2), (200, 244, 19), (300, 1466, 112)])
def test_grains_on_a_small_frame(level, all_grains, large):
    # A frame of the 135 format is 36×24 mm: 0.00864 of 0.1 m².
    top = 2000.0
    for smallest, count in ((5, all_grains), (20, large)):
        population = Population(level=level, slope=CLEANED_SLOPE, smallest_um=smallest, largest_um=top)
        assert population.expected(36 * 24) == pytest.approx(count, rel=0.04)


@pytest.mark.parametrize("slope", [CLEANED_SLOPE, FALLOUT_SLOPE])
def test_drawn_sizes_follow_the_law(slope):
    population = Population(level=200, slope=slope, smallest_um=10, largest_um=100)
    sizes = population.sizes(4000, np.random.default_rng(3))
    low, high = population.cumulative(100.0), population.cumulative(10.0)

    def share_below(x):
        return (high - population.cumulative(x)) / (high - low)

    assert stats.kstest(sizes, share_below).pvalue > 0.01
    assert sizes.min() >= 10
    assert sizes.max() <= 100


def test_numbers_are_poisson_and_places_even():
    rng = np.random.default_rng(5)
    scattered = [Population(mean_count=30).scatter(9.0, 6.0, rng) for _ in range(300)]
    counts = np.array([len(grains) for grains in scattered])
    assert counts.mean() == pytest.approx(30, abs=1.2)
    assert counts.var() == pytest.approx(30, rel=0.3)
    x = np.array([grain.x_mm for grains in scattered for grain in grains])
    assert stats.kstest(x, stats.uniform(-4.5, 9.0).cdf).pvalue > 0.01


def test_an_empty_filter():
    assert Population(mean_count=0).scatter(9.0, 6.0, np.random.default_rng(0)) == ()


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"smallest_um": 50, "largest_um": 20}, "smallest_um < largest_um, not 50 and 20"),
        ({"smallest_um": 0.5}, "1 ≤ smallest_um"),
        ({"level": 0.1}, "level ≥ 1"),
        ({"mean_count": -1}, "at least 0, not -1"),
        ({"mean_count": float("nan")}, "at least 0, not nan"),
    ],
)
def test_impossible_populations_are_refused(fields, message):
    with pytest.raises(ValueError, match=message):
        Population(**fields)
