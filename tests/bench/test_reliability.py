"""How well probabilities hold, against numbers known without the code and two libraries."""

import numpy as np
import pytest
from sklearn.metrics import brier_score_loss
from statsmodels.stats.proportion import proportion_confint

from moteyard.bench.reliability import design_effect, reliability, wilson
from moteyard.bench.report.reliability_plot import write_reliability


def test_by_hand():
    # of ten called 0.9 six are dust, of ten called 0.2 two
    p = np.repeat([0.9, 0.2], 10)
    hit = np.array([1] * 6 + [0] * 4 + [1] * 2 + [0] * 8, bool)
    found = reliability(p, hit)
    assert [(part.predicted, part.share, part.count) for part in found.bins] == [
        (pytest.approx(0.2), 0.2, 10),
        (pytest.approx(0.9), 0.6, 10),
    ]
    assert found.error == pytest.approx((0.0 + 0.3) / 2)
    # each bin's square less share (1 − share)/(n − 1)
    assert found.debiased == pytest.approx(np.sqrt((0 - 0.16 / 9 + 0.09 - 0.24 / 9) / 2))
    assert found.brier == pytest.approx((6 * 0.01 + 4 * 0.81 + 2 * 0.64 + 8 * 0.04) / 20)
    assert found.brier_of_share == pytest.approx(0.4 * 0.6)
    assert found.count == 20


def test_against_libraries():
    rng = np.random.default_rng(4)
    p = rng.random(3000)
    hit = rng.random(3000) < p
    found = reliability(p, hit)
    assert found.brier == pytest.approx(brier_score_loss(hit, p))
    for part in found.bins:
        interval = proportion_confint(round(part.share * part.count), part.count, method="wilson")
        assert (part.low, part.high) == pytest.approx(interval)


def test_design_effect_by_hand():
    # Two scenes of five candidates, all dust and none: share ½, each scene 2½ off: 2/1 · 2·2.5² / (10·¼).
    y = np.repeat([1.0, 0.0], 5)
    assert design_effect(y, np.repeat([3, 8], 5)) == pytest.approx(10)
    assert design_effect(y, np.tile([0, 1, 2, 3, 4], 2)) == 1  # every scene half and half
    assert design_effect(np.ones(4), np.array([0, 0, 1, 1])) == 1
    assert design_effect(y, np.zeros(10, int)) == 1


def test_intervals_cover_where_candidates_of_a_scene_are_alike():
    rng = np.random.default_rng(8)
    alone = together = 0
    for _ in range(300):
        rate = rng.beta(1, 1, 40)  # mean ½; scenes differ as widely as they can
        block = np.repeat(np.arange(40), 10)
        hit = rng.random(400) < rate[block]
        p = np.full(400, 0.5)
        (naive,), (fair,) = reliability(p, hit).bins, reliability(p, hit, block=block).bins
        alone += naive.low <= 0.5 <= naive.high
        together += fair.low <= 0.5 <= fair.high
    # 95 % nominal: 285 of 300 with a standard deviation of 3.8; without scenes √(1 + 9/3) = 2 times too short: .67.
    assert together > 270
    assert alone < 240


def test_wilson_at_the_ends_is_the_share_itself():
    assert wilson(0.0, 7.5)[0] == 0
    assert wilson(1.0, 7.5)[1] == 1


def test_bins_share_what_chance_gives():
    p = np.concatenate([np.full(5000, 0.001), np.linspace(0.05, 0.95, 200)])
    found = reliability(p, np.zeros(len(p), bool))
    variance = [part.count * part.predicted * (1 - part.predicted) for part in found.bins]
    assert len(found.bins) > 8
    assert max(variance[1:]) < 2.2 * min(variance[1:])


def test_perfect_probabilities_stay_under_what_chance_makes_in_19_of_20():
    rng = np.random.default_rng(5)
    p = rng.beta(0.3, 1.5, 800)
    limit = reliability(p, rng.random(800) < p).error_of_perfect
    over = sum(reliability(p, rng.random(800) < p, bins=12).error > limit for _ in range(60))
    # binomial, 60 draws of 1 in 20: more than 9 in less than one case in a thousand
    assert over <= 9


def test_debiasing_takes_chance_off():
    rng = np.random.default_rng(6)
    p = rng.uniform(0.2, 0.8, 1500)
    off = [reliability(p + 0.1, rng.random(1500) < p).debiased for _ in range(20)]
    assert np.mean(off) == pytest.approx(0.1, abs=0.01)  # standard error about 0.013/√20
    fine = [reliability(p, rng.random(1500) < p) for _ in range(20)]
    assert np.mean([one.debiased for one in fine]) < 0.6 * np.mean([one.error for one in fine])


def test_one_probability_and_none():
    found = reliability(np.zeros(5), np.zeros(5, bool))
    assert (found.error, found.brier, len(found.bins)) == (0, 0, 1)
    for bad in ([], [1.2], [np.nan]):
        with pytest.raises(ValueError, match="at least one candidate, and probabilities"):
            reliability(np.array(bad), np.zeros(len(bad), bool))


def test_the_picture_is_written_once(tmp_path):
    shown = {"all": reliability(np.linspace(0, 1, 50), np.arange(50) > 25)}
    write_reliability(shown, tmp_path / "a.png", title="<x> $y$")
    assert (tmp_path / "a.png").read_bytes()[:4] == b"\x89PNG"
    with pytest.raises(FileExistsError, match=r"a\.png"):
        write_reliability(shown, tmp_path / "a.png", title="")
