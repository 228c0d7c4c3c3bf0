"""What moving the threshold changes, what a miss is worth, and what the answer says of it."""

import json

import numpy as np
import pytest

from moteyard.bench.answer import answer, reason
from moteyard.bench.choice import Choice, Wish
from moteyard.bench.explore import kept_explore, sweep_entry
from moteyard.bench.interval import Resampled, bca, bootstrap_weights, resample
from moteyard.bench.interval_table import bca_columns
from moteyard.bench.store import FALSE_ALARM, HIT
from moteyard.bench.sweep import NOISIEST, STEPS, measure, sweep


def many(make_record, rng, frames=30):
    records = []
    for number in range(frames):
        kinds = np.array([HIT] * 4 + [FALSE_ALARM] * 5)
        scores = np.sort(rng.normal(np.where(kinds == HIT, 6, 4), 1.0))[::-1].round(2)
        records.append(make_record(scores, rng.permutation(kinds), truths=6, block=f"b{number:03d}"))
    return records


def test_counts_by_hand(make_record):
    records = [
        make_record([9.0, 5.0, 2.0], [HIT, FALSE_ALARM, HIT], truths=3, block="a"),
        make_record([7.0, 5.0], [FALSE_ALARM, HIT], truths=1, block="b"),
    ]
    seen = measure(records, np.array([9.0, 8.0, 5.0, 4.0, -np.inf]))
    assert seen.hits.tolist() == [0, 1, 1, 2, 3]  # strictly above: 5.0 is not above 5.0
    assert seen.false_alarms.tolist() == [0, 0, 1, 2, 2]
    assert seen.recall.estimate.tolist() == [0, 0.25, 0.25, 0.5, 0.75]
    assert seen.precision.estimate[1:].tolist() == [1, 0.5, 0.5, 0.6]
    assert np.isnan(seen.precision.estimate[0])
    assert seen.false_alarms_per_frame.estimate.tolist() == [0, 0, 0.5, 1, 1]


def test_a_threshold_of_infinity_takes_nothing(make_record):
    seen = measure(many(make_record, np.random.default_rng(1)), np.array([np.inf]))
    assert (seen.hits[0], seen.recall.estimate[0], seen.recall.high[0]) == (0, 0, 0)


def test_a_sweep_keeps_what_is_asked_and_ends_where_all_is_taken(make_record):
    records = many(make_record, np.random.default_rng(2))
    seen = sweep(records, also=[4.321, np.inf])
    assert 4.321 in seen.threshold
    assert len(seen.threshold) <= STEPS + 2
    assert np.all(np.diff(seen.threshold) < 0)
    assert (seen.hits[-1], seen.false_alarms[-1]) == (120, 150)
    assert np.all(seen.false_alarms_per_frame.estimate <= NOISIEST)


def test_a_method_that_proposes_nothing_has_an_empty_sweep(make_record):
    seen = sweep([make_record([], [], truths=2, block=block) for block in "ab"])
    assert len(seen.threshold) == 0
    assert sweep_entry(seen)["recall"] == []


def test_columns_have_the_interval_that_each_alone_has():
    rng = np.random.default_rng(3)
    part, whole = rng.poisson(3, (25, 6)).astype(float), rng.poisson(5, (25, 1)) + 1.0
    part[:, 4] = 0  # no spread at all
    weights = bootstrap_weights(25, 400, rng=rng)

    def rate(w):
        return (w @ part) / (w @ whole)

    samples = [rate(w) for w in (np.ones((1, 25)), weights, np.ones((25, 25)) - np.eye(25))]
    together = bca_columns(samples[0][0], samples[1], samples[2])
    for column in range(6):
        alone = bca(resample(lambda w, column=column: rate(w)[:, column], weights))
        assert together.low[column] == pytest.approx(alone.low, abs=1e-12)
        assert together.high[column] == pytest.approx(alone.high, abs=1e-12)


def test_columns_pass_over_what_is_undefined():
    rng = np.random.default_rng(4)
    replicates, jackknife = rng.normal(size=(300, 2)), rng.normal(size=(20, 2))
    replicates[:100, 0] = np.nan
    replicates[:200, 1] = np.nan  # most: no interval
    jackknife[3, 0] = np.nan
    together = bca_columns(np.zeros(2), replicates, jackknife)
    alone = bca(Resampled(0.0, replicates[:, 0], jackknife[:, 0]))
    assert (together.low[0], together.high[0]) == pytest.approx((alone.low, alone.high), abs=1e-12)
    assert np.isnan(together.low[1])
    assert np.isnan(bca_columns(np.zeros(1), rng.normal(size=(50, 1)), np.zeros((1, 1))).low[0])


@pytest.fixture
def told(make_record, make_cell):
    def tell(cells, others=None):
        rng = np.random.default_rng(5)
        records = []
        for cell in cells:
            for record in many(make_record, rng):
                scores, kinds = record.result.spots["score"], record.result.spots["kind"]
                name = f"{cell.ground}{cell.f_number:g}{record.frame.block}"
                records.append(
                    make_record(scores, kinds, truths=6, block=name, ground=cell.ground, f_number=cell.f_number)
                )
        choice = Choice("m", "m", "m-1", "suite version 1", 1.0, Wish(), tuple(cells))
        table = {"m": records, "n": records}
        return answer(table, choice, {"m": cells, "n": others or [make_cell("x", 1.0, trusted=False)] * len(cells)})

    return tell


def test_the_answer_says_where_and_how_much_with_its_interval(told, make_cell):
    said = told([make_cell("sky", 8.0), make_cell("sky", 16.0, trusted=False), make_cell("rock", 8.0, trusted=False)])
    share = said.cells[0].recall
    assert 0 < share.low < share.estimate < share.high < 1
    assert (
        f"in sky at f/8 above 4 ({100 * share.estimate:.0f} % [{100 * share.low:.0f}–{100 * share.high:.0f}]"
        in said.use
    )
    assert "at most 1 false alarm a frame of 1 megapixels in 90 % of frames, with 95 % confidence" in said.use
    assert said.beware.startswith("In sky at f/16 and in rock at f/8 trust no method")
    assert "use the roll" in said.beware


def test_grounds_without_any_trust_are_named_once(told, make_cell):
    cells = [make_cell(ground, f, trusted=ground == "sky") for ground in ("sky", "snow", "rock") for f in (8.0, 16.0)]
    assert told(cells).beware.startswith("In snow and rock at any aperture trust no method")


def test_another_method_that_may_be_trusted_is_named(told, make_cell):
    cells = [make_cell("sky", 8.0), make_cell("snow", 8.0, trusted=False)]
    said = told(cells, [make_cell("sky", 8.0), make_cell("snow", 8.0)])
    assert said.beware == "In snow at f/8 only n may be trusted, at a threshold of its own."


def test_a_run_that_is_too_small_says_so_and_what_to_do(told, make_cell):
    note = "no guarantee: it needs 29 independent frames to choose on, there are 4"
    said = told([make_cell("sky", 8.0, trusted=False, guaranteed=False, note=note)])
    assert "can't vouch for any threshold (it needs 29 independent frames" in said.use
    assert "moteyard rank standard" in said.beware


def test_trust_everywhere_and_nowhere(told, make_cell):
    assert "every ground and aperture" in told([make_cell("sky", 8.0)]).beware
    assert "nowhere does it find enough" in told([make_cell("sky", 8.0, trusted=False)]).use


def test_reasons(make_cell):
    assert reason(make_cell("sky", 8.0)) == ""
    assert reason(make_cell("sky", 8.0, trusted=False)) == "it finds only 60 % of the visible shadows"
    assert reason(make_cell("sky", 8.0, trusted=False, note="too few")) == "too few"


def test_only_what_is_new_is_computed(make_record, make_cell, tmp_path, monkeypatch):
    records = many(make_record, np.random.default_rng(8))
    cell = make_cell("sky", 8.0)
    table = {"m": records}
    monkeypatch.setattr("moteyard.bench.explore.ceiling", lambda records: records)
    first = kept_explore(tmp_path / "e.json", table, {"m": [cell]})
    calls = []
    monkeypatch.setattr("moteyard.bench.explore.method_entry", lambda *some: calls.append(some) or {"new": True})
    again = kept_explore(tmp_path / "e.json", table, {"m": [cell]})
    assert again == json.loads(json.dumps(first))
    assert calls == []
    moved = kept_explore(tmp_path / "e.json", table, {"m": [make_cell("sky", 8.0, threshold=4.5)]})
    assert moved[0]["methods"]["m"]["new"]
    assert len(calls) == 1
    entry = first[0]["methods"]["m"]
    assert entry["chosen"] == 4.0
    place = entry["threshold"].index(4.0)
    assert entry["hits"][place] == sum(int((record.hit & (record.score > 4.0)).sum()) for record in records)


def test_many_trusted_cells_are_named_by_ground(told, make_cell):
    trusted = {"sky": (8.0, 16.0, 22.0, 32.0), "rock": (16.0, 22.0, 32.0), "scrub": (8.0, 32.0)}
    cells = [make_cell(name, f, trusted=f in good) for name, good in trusted.items() for f in (8.0, 16.0, 22.0, 32.0)]
    said = told(cells)
    share = [100 * one.recall.estimate for one in said.cells]
    assert f"in sky at any aperture ({min(share[:4]):.0f}" in said.use
    assert "; in rock from f/16 to f/32 (" in said.use
    assert "; in scrub at f/8 and f/32 (" in said.use
    assert "above" not in said.use
    assert said.beware.startswith("In rock at f/8 and in scrub at f/16 and f/22 trust no method")
