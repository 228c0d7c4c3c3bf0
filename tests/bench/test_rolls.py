"""Rolls: suites read from text, thresholds that other rolls chose, intervals, and a run from end to end."""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from moteyard.bench.cli import main
from moteyard.bench.cross_fit import CrossFit, threshold
from moteyard.bench.errors import YardError
from moteyard.bench.roll_job import RollJob, latest_answers, together
from moteyard.bench.roll_reading import half_weights, readings, square_root_law
from moteyard.bench.roll_run import STORE
from moteyard.bench.roll_score import RollScore, ideal_share
from moteyard.bench.roll_suite import load_roll_suite, parse_roll_suite, roll_suite_names
from moteyard.bench.store import Store
from moteyard.detectors import Photograph, load

TINY = """
name = "tiny"
version = 1
summary = "two small rolls"
seed = 1
rolls = 2
counts = [1, 3]

[camera]
width_px = 320
height_px = 240

[population]
smallest_um = 30
mean_count = 8

[[kind]]
theme = "sky"
f_numbers = [11]
"""
HOSTILE = Path(__file__).parent / "hostile.py"


def score(found, detectability=(9.0,), *, detector="a", count=4, roll="r", scenes=None):
    """A roll's score from (score, hit) pairs."""
    return RollScore(
        detector=detector,
        kind="scrub",
        roll=roll,
        count=count,
        scenes=count if scenes is None else scenes,
        places=1000,
        detectability=np.array(detectability, dtype=float),
        score=np.array([value for value, _ in found], dtype=float),
        hit=np.array([hit for _, hit in found], dtype=bool),
    )


def once(rolls):
    return np.ones((1, rolls))


def test_the_threshold_is_the_other_halfs():
    # Even rolls have false alarms at 9 and 5, odd ones at 7, 3 and 2. A half of two rolls may let in one false alarm
    # (the next would be its second of two rolls): even rolls cut just above 5, odd ones just above 3.
    even = [score([(9, False), (8, True), (4, True)]), score([(6, True), (5, False)])]
    odd = [score([(7, False), (6, True), (5, True), (2, True)]), score([(4, True), (3, False), (2, False)])]
    fit = CrossFit([even[0], odd[0], even[1], odd[1]])
    # Above 3: even rolls find 8, 4 and 6. Above 5: odd rolls find 6 alone. Four grains in all.
    assert fit.recall(once(4)) == pytest.approx(4 / 4)
    # False alarms: 9 and 5 above 3, 7 above 5.
    assert fit.false_alarms(once(4)) == pytest.approx(3 / 4)
    assert threshold([*even, *odd]) == 3.0  # of four rolls three may: 9, 7 and 5


def test_equal_scores_are_let_in_together():
    two = (9.0, 9.0)
    rolls = [score([(5, False), (5, False), (5, True), (4, True)], two), score([(6, True), (5, True)], two)]
    # One roll may let in none: what scores as much as its first false alarm stays out, so 6 alone of the second roll,
    # which has no false alarm itself and lets in all of the first.
    assert CrossFit(rolls).recall(once(2)) == pytest.approx(3 / 4)
    # Two rolls may let in one, but not one of two equals.
    assert threshold(rolls) == 5.0


def test_without_false_alarms_everything_is_let_in():
    rolls = [score([(5, True)]), score([(4, True)])]
    assert CrossFit(rolls).recall(once(2)) == 1
    assert threshold(rolls) == -math.inf


def test_one_roll_can_choose_nothing_for_itself():
    assert np.isnan(CrossFit([score([(5, True)])]).recall(once(1)))


def test_thresholds_from_other_rolls_keep_the_promise_and_from_the_same_do_not():
    # False alarms of a Poisson process: rate e^(−t) above score t, so 1 a roll above 0 whatever the sample says.
    rng = np.random.default_rng(5)
    other, same = [], []
    for _ in range(400):
        rolls = [
            score([(value, False) for value in 3 - np.log(rng.uniform(0, 1, rng.poisson(math.exp(3)))) - 6])
            for _ in range(8)
        ]
        other.append(float(CrossFit(rolls).false_alarms(once(8))[0]))
        cut = threshold(rolls)
        same.append(np.mean([np.sum(one.score > cut) for one in rolls]))
    assert np.mean(other) == pytest.approx(1, abs=4 * np.std(other) / 20)
    assert np.mean(same) == pytest.approx(7 / 8)  # by its making: the rate that it was read off at


def test_a_dominant_roll_does_not_hide_the_rest():
    # More false alarms in one roll than are looked through at first.
    wild = score([(100 - n / 100, False) for n in range(500)])
    calm = [score([(5, True), (1, False)]) for _ in range(3)]
    fit = CrossFit([wild, *calm])
    assert fit.recall(np.array([[0.0, 1, 2, 1]])) == pytest.approx(4 / 4)  # without the wild one
    assert fit.recall(once(4)) == pytest.approx(1 / 4)  # the wild half lets nothing in on the other two


def test_ideal_share_is_the_gaussian_observers():
    # One of 1000 places: threshold 3.0902 (tables of the normal distribution).
    assert ideal_share(np.array([3.0902]), 1000) == pytest.approx(0.5, abs=1e-4)
    assert ideal_share(np.array([2.0, 4.0]), 1000) == pytest.approx(norm.sf(norm.isf(1e-3) - np.array([2.0, 4.0])))
    assert ideal_share(np.array([0.0]), 1) == 1


def test_square_root_law():
    law = square_root_law([score([], [2 * 3.0902, 200.0], count=4)])  # d′ of one photograph: 3.0902 and 100
    assert law(1) == pytest.approx(0.75, abs=1e-4)
    assert law(4) == pytest.approx((norm.cdf(3.0902) + 1) / 2, abs=1e-4)
    assert math.isnan(square_root_law([score([], [])])(1))


def test_grains_clear_of_the_noise_are_counted():
    # Above 5.5: two of five, of all rolls together. Rose's criterion is a signal of five times the noise.
    (one,), _ = readings([score([], [5.4, 5.6, 1.0]), score([], [40.0, 5.5])])
    assert one.clear == pytest.approx(2 / 5)
    # An ideal observer of ten thousand places misses fewer than one in twenty-five of the faintest of them.
    assert ideal_share(np.array([5.5]), 10_000) > 0.96


def test_a_scene_seen_again_adds_nothing():
    seen = [np.array([3.0, 1.0]), np.array([4.0, 1.0]), np.array([2.0, 5.0])]
    np.testing.assert_allclose(together(seen, [0, 1, 2]), np.sqrt([29, 27]))
    np.testing.assert_allclose(together(seen, [0, 0, 2]), np.sqrt([20, 26]))
    # The law goes by scenes: two of three photographs.
    assert score([], [2.0], count=3, scenes=2).average_detectability == pytest.approx(2 / math.sqrt(2))


def test_halves_keep_their_sizes_in_every_replicate():
    weights = half_weights(7)
    assert np.all(weights[:, ::2].sum(axis=1) == 4)
    assert np.all(weights[:, 1::2].sum(axis=1) == 3)
    assert np.ptp(weights) > 0


def test_intervals_cover_what_they_say():
    # Grains of a roll are found together or not (rates 0.2 or 0.8 by roll): rolls are what is independent.
    rng = np.random.default_rng(6)
    covered, lengths = 0, []
    for _ in range(60):
        rolls = []
        for number in range(24):
            hits = rng.uniform(size=20) < rng.choice([0.2, 0.8])
            rolls.append(score([(5, True)] * int(hits.sum()), [9.0] * 20, roll=str(number)))
        ((one,), _) = readings(rolls)
        covered += one.recall.low <= 0.5 <= one.recall.high
        lengths.append(one.recall.high - one.recall.low)
    # Standard deviation of the mean by hand: √(0.3² + 0.16/20)/√24 = 0.0639.
    assert np.mean(lengths) == pytest.approx(2 * 1.96 * 0.0639, rel=0.1)
    assert covered >= 50  # 57 expected; binomial tail below 50 of 60 at 0.95: 1e-4


def test_methods_are_compared_on_the_same_rolls():
    rng = np.random.default_rng(7)
    rolls = []
    for number in range(16):
        hits = int(rng.integers(0, 9))
        rolls.append(score([(5, True)] * hits, [9.0] * 10, detector="a", roll=str(number)))
        rolls.append(score([(5, True)] * (hits + 1), [9.0] * 10, detector="b", roll=str(number)))
    (a, b), (contrast,) = readings(rolls)
    assert a.recall.high > b.recall.low  # alone they could be the same
    assert (contrast.one, contrast.other) == ("a", "b")
    assert [contrast.difference.low, contrast.difference.high] == pytest.approx([-0.1, -0.1])  # one grain in ten each


def test_few_rolls_have_no_interval():
    ((one,), _) = readings([score([(5, True)]), score([(5, True)]), score([(5, True)])])
    assert one.recall.estimate == 1
    assert math.isnan(one.recall.low)


def test_shipped_suites_are_sound():
    assert roll_suite_names() == ["quick", "standard"]
    for name in roll_suite_names():
        suite = load_roll_suite(name)
        rolls = list(suite.made())
        assert len(rolls) == suite.rolls * len(suite.kinds)
        assert {len(roll) for _, roll in rolls} == {suite.counts[-1]}
    assert suite.counts == (1, 4, 8, 16, 32, 64)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("rolls = 2", "rols = 2", "unknown key 'rols'; did you mean 'rolls'"),
        ("rolls = 2", "", "key 'rolls' is missing"),
        ("[1, 3]", "[3, 1]", "key 'counts' must be a list of rising whole numbers"),
        ('"sky"', '"sy"', "unknown theme 'sy'; did you mean 'sky'"),
        ('"sky"', '"sky"\ntripod = 1', "key 'tripod' must be of type bool, not 1"),
        ("theme", "them", "unknown key 'them'"),
        ("seed = 1", "seed = ", "not valid TOML"),
    ],
)
def test_a_malformed_suite_is_answered_by_name(old, new, sentence):
    with pytest.raises(YardError, match=sentence):
        parse_roll_suite(TINY.replace(old, new), where="tiny.toml")


def test_unknown_suite():
    with pytest.raises(YardError, match="unknown roll suite 'quik'; did you mean 'quick'"):
        load_roll_suite("quik")


def job(*detectors, text=TINY, counts=(1, 3)):
    kind, roll = next(parse_roll_suite(text, where="tiny.toml").made("develop"))
    return RollJob(roll.to_json(), kind, counts, detectors)


def test_a_roll_is_the_same_whatever_it_is_judged_after():
    frames, rows = job("consensus").run()
    (last,), (alone,) = job("consensus", counts=(3,)).run()
    assert [frame.name for frame in frames] == ["sky/000/001", "sky/000/003"]
    assert last.pixels == frames[-1].pixels
    assert alone.spots.tobytes() == rows[-1].spots.tobytes()
    assert np.all(frames[-1].truth["detectability"] > frames[0].truth["detectability"])
    one = RollScore.of(frames[-1], rows[-1], count=3)
    assert one.hit.sum() > 0.7 * one.truths > 0


def test_from_a_tripod_many_photographs_tell_what_the_first_does():
    frames, rows = job("consensus", text=TINY.replace('"sky"', '"scrub"\ntripod = true')).run()
    assert [json.loads(frame.recipe)["scenes"] for frame in frames] == [1, 1]
    np.testing.assert_allclose(frames[0].truth["detectability"], frames[1].truth["detectability"], rtol=0.2)
    assert rows[0].spots["score"].max() == pytest.approx(rows[1].spots["score"].max())


def test_a_detector_without_a_way_for_growing_rolls_is_asked_for_each_length():
    class Counts:
        name, version = "counts", "1"

        def __init__(self):
            self.asked = []

        def detect(self, roll):
            self.asked.append(len(roll))
            return load("nothing").detect(roll)

    detector, grey = Counts(), Photograph(np.full((32, 32, 3), 128, np.uint8))
    assert len(latest_answers(detector, [grey] * 4, (1, 2, 4))) == 3
    assert detector.asked == [1, 2, 4]


@pytest.fixture
def tiny(tmp_path):
    file = tmp_path / "tiny.toml"
    file.write_text(TINY, encoding="utf-8")
    return file


def rolls(tiny, *words):
    return main(["rolls", str(tiny), "--out", str(tiny.parent / "out"), "--seeds", "develop", "--workers", "1", *words])


def test_the_command_writes_tables_and_a_plot_and_goes_on_where_it_stopped(tiny, capsys):
    assert rolls(tiny, "--detector", "consensus") == 0
    assert "SKY   2 rolls" in capsys.readouterr().out
    out = tiny.parent / "out"
    first = (out / STORE).read_bytes()
    assert rolls(tiny, "--detector", "consensus", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    store = Store(out / STORE)
    assert store.counts() == (4, 4, 0)  # two rolls, two counts, nothing done again
    store.close()
    assert len(first) > 0
    assert rolls(tiny, "--detector", "consensus", "--detector", "matched") == 0
    said = capsys.readouterr().out
    assert "consensus less matched" in said
    assert "Beware" in said
    with (out / "rolls.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(row["detector"], row["photographs"]) for row in rows] == [
        ("consensus", "1"), ("matched", "1"), ("consensus", "3"), ("matched", "3"),
    ]  # fmt: skip
    assert float(rows[0]["recall"]) == pytest.approx(told["readings"][0]["recall"]["estimate"], abs=1e-6)
    assert json.loads((out / "rolls.json").read_text())["differences"][0]["one"] == "consensus"
    assert (out / "rolls.png").read_bytes()[:4] == b"\x89PNG"
    assert (out / "rolls.svg").is_file()
    tiny.write_text(TINY.replace("mean_count = 8", "mean_count = 9"), encoding="utf-8")
    assert rolls(tiny, "--detector", "consensus") == 2
    assert "holds results of another recipe of rolls 'tiny'; choose another --out" in capsys.readouterr().err


def test_a_detector_that_fails_is_said_and_the_others_are_judged(tiny, capsys):
    assert rolls(tiny, "--detector", f"{HOSTILE}:Raises", "--detector", "matched") == 1
    said = capsys.readouterr()
    assert "FAILED  raises on 2 rolls: RuntimeError: the lamp is broken" in said.err
    assert "matched" in said.out


def test_wrong_words_are_answered_before_anything_is_rendered(tiny, capsys):
    assert rolls(tiny, "--detector", "consensuss") == 2
    assert "did you mean 'consensus'" in capsys.readouterr().err
    assert not (tiny.parent / "out").exists()


def test_what_a_method_was_taught_on_it_is_not_judged_on():
    kind, roll = next(parse_roll_suite(TINY, where="tiny.toml").made("train"))
    _, rows = RollJob(roll.to_json(), kind, (1,), ("together",)).run()
    assert "was taught on train seeds and can't be judged on them" in rows[0].problem
