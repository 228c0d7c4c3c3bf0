"""Mean ranks and the critical difference, against Demšar's worked example and general libraries."""

import warnings

import numpy as np
import pytest
from PIL import Image
from scipy.stats import friedmanchisquare, rankdata, wilcoxon

from moteyard.bench.cells import Record
from moteyard.bench.critical import (
    compare_ranks,
    critical_difference,
    friedman,
    iman_davenport,
    mean_ranks,
    signed_rank,
)
from moteyard.bench.report.ranks import write_ranks
from moteyard.bench.store import FALSE_ALARM, HIT, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow

# Demšar, JMLR 7 (2006), table 6 (from memory): areas under the curve of C4.5, and with m, with cf, with both, on 14
# data sets. 'voting' (the last but one) is printed as .975 twice and ranked 2 and 3 there.
AREAS = np.array(
    [
        [0.763, 0.768, 0.771, 0.798],
        [0.599, 0.591, 0.590, 0.569],
        [0.954, 0.971, 0.968, 0.967],
        [0.628, 0.661, 0.654, 0.657],
        [0.882, 0.888, 0.886, 0.898],
        [0.936, 0.931, 0.916, 0.931],
        [0.661, 0.668, 0.609, 0.685],
        [0.583, 0.583, 0.563, 0.625],
        [0.775, 0.838, 0.866, 0.875],
        [1.000, 1.000, 1.000, 1.000],
        [0.940, 0.962, 0.965, 0.962],
        [0.619, 0.666, 0.614, 0.669],
        [0.972, 0.981, 0.9751, 0.975],
        [0.957, 0.978, 0.946, 0.970],
    ]
)
NAMES = ("plain", "m", "cf", "both")


def test_the_worked_example():
    ranks = compare_ranks(dict(zip(NAMES, AREAS.T, strict=True)))
    assert [ranks.mean_rank[name] for name in NAMES] == pytest.approx([3.143, 2.000, 2.893, 1.964], abs=5e-4)
    assert list(ranks.mean_rank) == ["both", "m", "cf", "plain"]
    assert ranks.difference == pytest.approx(1.2536, abs=5e-5)
    assert critical_difference(4, 14, error=0.10) == pytest.approx(1.1181, abs=6e-5)


def test_without_the_tie_correction_it_is_the_published_statistic():
    means = np.array([3.143, 2.000, 2.893, 1.964])
    plain = 12 * 14 / (4 * 5) * ((means**2).sum() - 4 * 25 / 4)
    assert plain == pytest.approx(9.28, abs=0.01)
    assert iman_davenport(9.2786, methods=4, blocks=14) == pytest.approx(3.6863, abs=5e-4)


def test_signed_ranks_of_the_worked_example():
    """Demšar, table 2 (from memory): R+ 93, R− 12, z = (12 − 14·15/4)/√(14·15·29/24) = −2.542, so p = .0110."""
    found = signed_rank({"plain": AREAS[:, 0], "m": AREAS[:, 1]})
    assert found[frozenset(("m", "plain"))] == pytest.approx(0.0110, abs=6e-4)


def test_signed_ranks_are_adjusted_for_all_pairs():
    rng = np.random.default_rng(3)
    scores = {"one": rng.normal(size=40), "same": np.zeros(40), "too": np.zeros(40), "high": rng.normal(2, 1, 40)}
    found = signed_rank(scores)
    assert len(found) == 6
    assert found[frozenset(("same", "too"))] == 1
    own = [wilcoxon(gap, method="approx").pvalue for gap in (scores["high"], scores["high"] - scores["one"])]
    assert min(found.values()) == pytest.approx(6 * min(own))


def test_the_statistic_is_scipys():
    ranks = rankdata(-AREAS.T, axis=0)
    assert friedman(ranks) == pytest.approx(friedmanchisquare(*AREAS.T).statistic)
    assert friedman(ranks) == pytest.approx(10.2284, abs=1e-4)
    assert np.isnan(friedman(np.full((3, 5), 2.0)))


def test_pairs_differ_as_scikit_posthocs_says():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its plotting libraries
        posthocs = pytest.importorskip("scikit_posthocs")
    rng = np.random.default_rng(0)
    scores = rng.normal(size=(5, 30)) + np.array([[0.0], [0.2], [0.6], [0.9], [1.5]])
    p = posthocs.posthoc_nemenyi_friedman(scores.T).to_numpy()
    ranks = compare_ranks({str(number): row for number, row in enumerate(scores)})
    means = np.array([ranks.mean_rank[str(number)] for number in range(5)])
    apart = np.abs(means[:, None] - means[None, :]) > ranks.difference
    assert apart.any()
    assert not apart[np.triu_indices(5, 1)].all()
    assert (apart == (p < 0.05)).all()


def record(method, block, lift, rng):
    truth = np.zeros(4, dtype=TRUTH_TYPE)
    truth["counted"] = block % 10 != 0
    spots = np.zeros(10, dtype=SPOT_TYPE)
    spots["score"] = np.concatenate([rng.normal(lift, 1, 4), rng.normal(0, 1, 6)])
    spots["kind"] = [HIT if block % 10 else FALSE_ALARM] * 4 + [FALSE_ALARM] * 6
    name = f"sky/f8/{block:03d}"
    return Record(
        FrameRow(name, name, "sky", 8.0, name, 1.0, "", "", 0.01, 0.1, truth),
        ResultRow(name, method, method, None, 0.1, 0.1, spots),
    )


def table(blocks, lifts):
    rng = np.random.default_rng(1)
    return {name: [record(name, block, lift, rng) for block in range(blocks)] for name, lift in lifts.items()}


def test_scenes_are_the_blocks_and_those_without_shadows_rank_nobody(tmp_path):
    found = mean_ranks(table(60, {"good": 3.0, "fair": 1.0, "fair-too": 1.0, "poor": -1.0}))
    ranks = found["sky"]
    assert ranks.blocks == 54
    assert sum(ranks.mean_rank.values()) == pytest.approx(10)
    assert next(iter(ranks.mean_rank)) == "good"
    assert ranks.p_value < 1e-6
    assert abs(ranks.mean_rank["fair"] - ranks.mean_rank["fair-too"]) < ranks.difference
    write_ranks(found, tmp_path / "ranks.png")
    with Image.open(tmp_path / "ranks.png") as picture:
        assert picture.width > picture.height
    words = "".join((tmp_path / "ranks.svg").read_text(encoding="utf-8").split())
    assert words.count("<!--fair-too-->") == 1  # what matplotlib says beside the letters that it draws


def test_too_little_for_ranks():
    assert mean_ranks(table(60, {"good": 3.0, "fair": 1.0})) == {}
    assert mean_ranks(table(10, {"good": 3.0, "fair": 1.0, "poor": 0.0})) == {}


def test_equal_methods_are_seldom_told_apart():
    rng = np.random.default_rng(2)
    told = 0
    for _ in range(400):
        ranks = compare_ranks({str(number): rng.normal(size=30) for number in range(6)})
        told += np.ptp(list(ranks.mean_rank.values())) > ranks.difference
    assert 0.02 < told / 400 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)
