"""`moteyard surveys`: hand-made surveys whose score is known without the code, and lies that are found out."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import binom

from moteyard.bench.cli import main
from moteyard.bench.errors import YardError
from moteyard.bench.field.survey.compare import Change, Fate
from moteyard.bench.field.survey.limit import Statement
from moteyard.bench.field.survey.place import OnSensor
from moteyard.bench.field.survey.table import Line
from moteyard.bench.limit import size_limit
from moteyard.bench.surveys import command, judge
from moteyard.bench.surveys.fates import NOTHING, PARTED, UNSEEN, Seen, Told, told_of
from moteyard.bench.surveys.outcome import Measured, Outcome, Survey
from moteyard.bench.surveys.score import Share, score, scores
from moteyard.bench.surveys.show import score_lines
from moteyard.bench.surveys.suite import load_survey_suite, parse_survey_suite, survey_suite_names
from moteyard.generators.camera import Camera
from moteyard.generators.clean_plan import CleanPlan, make_clean
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Grain, Population
from moteyard.generators.roll import Roll, filter_at, render_exposure, render_with

SURVEY = Survey(
    megapixels=2.0,
    found=(Measured(10.0, 11.0, 0.5, 0.2, 0.25), Measured(40.0, 40.0, 0.1, 0.5, 0.5)),
    missed_um=(5.0, 9.0),
    false_um=(7.0,),
    things=2,
    things_told=1,
    distance_mm=1.0,
    told_mm=1.02,
    low_mm=0.9,
    high_mm=1.1,
    limit_um=6.0,
    half_um=4.0,
    share=0.98,
    there_um=(5.0,),
    probes=40,
    probes_found=38,
    clear_to=8.0,
    shows_from=11.0,
)


def line(number, diameter=20.0):
    return Line(number, 0.0, 0.0, OnSensor(0.0, 0.0), "centre", diameter, 0.1, 0.5, 9.0, (1.0,) * 6, None)


def test_what_became_of_a_grain():
    here, near, far = (1.0, 1.0), (1.02, 1.0), (1.5, 1.0)
    fates = [Seen(9.0, *places).fate for places in ((here, None), (None, here), (here, near), (here, far))]
    assert fates == [Fate.WENT, Fate.NEW, Fate.STAYED, Fate.MOVED]


def test_what_was_told_of_each():
    changes = [
        Change(Fate.STAYED, line(1), line(1)),
        Change(Fate.WENT, line(2), None),
        Change(Fate.NEW, None, line(2)),
        Change(Fate.NEW, None, line(3, diameter=7.0)),
    ]
    here, far = (0.0, 0.0), (2.0, 0.0)
    grains = [
        Seen(30.0, here, here, 1, 1),  # stayed, told so
        Seen(20.0, here, far, 2, 2),  # moved, told as one that went and one that came
        Seen(10.0, here, here, None, None),  # stayed, never named
        Seen(12.0, here, None, 1, None),  # went, but a line that stayed is taken for it
    ]
    rows = told_of(grains, changes, known=({1, 2}, {1, 2}))
    assert [(row.fate, row.told) for row in rows] == [
        ("stayed", "stayed"),
        ("moved", PARTED),
        ("stayed", UNSEEN),
        ("went", "stayed"),
        (NOTHING, "new"),
    ]
    assert rows[-1].size_um == 7.0


def test_a_statement_is_false_by_one_larger_grain_on_its_ground():
    assert not SURVEY.is_false  # 5 µm lies there, 6 µm was stated
    assert replace(SURVEY, there_um=(5.0, 6.1)).is_false
    assert not replace(SURVEY, there_um=(5.0, 6.1), limit_um=math.inf).is_false
    assert not SURVEY.is_wrongly_clear
    assert replace(SURVEY, clear_to=11.0).is_wrongly_clear


def outcome(*surveys, told=(), kind="a"):
    return Outcome(kind, "digest", *surveys, tuple(told))


def test_scores_of_two_hand_made_surveys():
    told = [Told("went", "went", 10.0), Told("went", "stayed", 10.0), Told("stayed", "stayed", 30.0)]
    lie = replace(SURVEY, there_um=(30.0,), clear_to=11.0, told_mm=1.2, low_mm=1.15)
    one = score("a", [outcome(SURVEY, lie, told=told)])
    assert (one.statements.count, one.statements.trials) == (1, 2)
    assert (one.probes.count, one.probes.trials) == (4, 80)
    assert (one.clear.count, one.clear.trials) == (1, 2)
    assert (one.clear_11.count, one.clear_11.trials) == (1, 1)
    assert one.false_per_megapixel == pytest.approx(0.5)
    assert one.plain_false == 2
    assert one.distance == pytest.approx((0.02 + 0.2) / 2)
    assert (one.covered.count, one.covered.trials) == (1, 2)
    assert (one.recall(Fate.WENT).count, one.recall(Fate.WENT).trials) == (1, 2)
    assert (one.precision(Fate.STAYED).count, one.precision(Fate.STAYED).trials) == (1, 2)
    small, fine, medium, coarse = one.classes
    assert (small.named.count, small.named.trials) == (0, 2)
    assert (fine.named.count, fine.named.trials) == (2, 4)
    assert fine.error == pytest.approx(0.1)
    assert fine.depth == pytest.approx(0.25)
    assert medium.error == 0.0
    assert math.isnan(coarse.error)
    assert [s.kind for s in scores([outcome(SURVEY, SURVEY), outcome(SURVEY, SURVEY, kind="b")])] == ["a", "b", "all"]


def test_exact_intervals():
    # Clopper & Pearson (1934): none of n reaches up to 1 − (α/2)^(1/n), and all of n down to (α/2)^(1/n).
    assert Share(0, 29).interval.high == pytest.approx(1 - 0.025 ** (1 / 29))
    assert Share(29, 29).interval.low == pytest.approx(0.025 ** (1 / 29))
    assert math.isnan(Share(0, 0).interval.estimate)
    for trials in (12, 40):
        covered = sum(
            binom.pmf(k, trials, 0.1)
            for k in range(trials + 1)
            if Share(k, trials).interval.low <= 0.1 <= Share(k, trials).interval.high
        )
        assert covered >= 0.95
    assert Share(2, 2).exceeds(0.1)  # 0.01 of cases
    assert not Share(1, 2).exceeds(0.1)  # 0.19 of cases
    assert not Share(0, 0).exceeds(0.1)


def test_the_limit_is_reached_as_often_as_it_says():
    """Trials drawn from a known curve: the size stated is at least the true a90 in 95 of 100 cases."""
    rng, slope, middle = np.random.default_rng(5), 9.0, math.log(5.0)
    a90 = math.exp(middle + math.log(9) / slope)
    stated = []
    for _ in range(60):
        size = np.exp(rng.uniform(middle - math.log(2.5), middle + math.log(2.5), 250))
        found = rng.random(250) < expit(slope * (np.log(size) - middle))
        stated.append(size_limit(size, found, np.repeat(np.arange(28), 9)[:250])["a90_95"])
    kept = int(np.sum(np.array(stated) >= a90))
    assert binom.cdf(kept, 60, 0.95) > 0.01
    assert np.median(stated) < 1.25 * a90  # nor does it hold by being useless


PLAN = CleanPlan(
    frames=1,
    camera=Camera(width_px=300, height_px=240, jpeg_quality=95),
    optics=Optics(),
    population=Population(mean_count=8, smallest_um=25, largest_um=60),
    come=0.0,
)


def test_a_survey_that_always_says_clean_is_found_out(monkeypatch):
    def clean(recipe, shots, dust, *, share, pieces):
        return Statement(8.0, 6.0, share, 100, 90, 0.0, "")

    monkeypatch.setattr(judge, "statement", clean)
    monkeypatch.setattr(judge, "survey_of_stack", _blind)
    monkeypatch.setattr(judge, "found_probes", lambda *args, **options: (0, 0))
    found = judge.judge_pair("liar", make_clean(replace(PLAN, gone=0.2), "liar", entropy=3).to_json())
    assert found.before.there_um
    assert min(found.before.there_um) > 8
    assert found.before.is_false
    assert score("liar", [found]).statements.count >= 1
    assert {row.told for row in found.told} == {UNSEEN}


def _blind(stack, optics):
    from moteyard.detectors.survey.distance import Distance
    from moteyard.detectors.survey.dust import Dust

    return Dust((), Distance(1.0, math.nan, math.nan, 0), optics, stack.shape, 0.0)


def test_a_clean_takes_leaves_and_moves():
    all_gone = make_clean(replace(PLAN, gone=1.0, moved=0.0), "x", entropy=3)
    assert len(filter_at(all_gone, 0)) > 0
    assert filter_at(all_gone, 1) == ()
    left = replace(PLAN, gone=1.0, moved=0.0, leaves=Population(mean_count=40, smallest_um=5, largest_um=6))
    roll = make_clean(left, "x", entropy=3)
    fresh = filter_at(roll, 1)
    assert {placed.identity for placed in fresh}.isdisjoint(placed.identity for placed in filter_at(roll, 0))
    assert max(placed.particle.size_um for placed in fresh) <= 6
    assert Roll.from_json(roll.to_json()) == roll
    with pytest.raises(ValueError, match="at least 1 test frame"):
        replace(PLAN, frames=0)


def test_a_probe_changes_nothing_but_its_own_place():
    roll = make_clean(replace(PLAN, camera=Camera(width_px=200, height_px=160)), "x", entropy=4)
    plain, more = render_exposure(roll, 0), render_with(roll, 0, [Grain(0.3, 0.24, 40.0)])
    changed = np.argwhere((plain.pixels != more.pixels).any(axis=2))
    assert len(changed) > 20
    assert np.ptp(changed, axis=0).max() < 60
    assert -1 in more.truth.identity.tolist()


def test_suites_that_ship_and_errors():
    assert survey_suite_names() == ["quick", "standard"]
    suite = load_survey_suite("quick")
    assert len({roll.digest for _, roll in suite.made()} | {r.digest for _, r in suite.made("develop")}) == 16
    head = 'name = "x"\nversion = 1\nsummary = ""\nseed = 1\npairs = 1\n'
    with pytest.raises(YardError, match=r"\[\[kind\]\]: key 'label' is missing"):
        parse_survey_suite(head + "[[kind]]\nmarks = 3", where="x.toml")
    with pytest.raises(YardError, match="unknown key 'gon'"):
        parse_survey_suite(head + '[clean]\ngon = 1\n[[kind]]\nlabel = "a"', where="x.toml")
    with pytest.raises(YardError, match="gone and moved of 0 to 1"):
        parse_survey_suite(head + '[clean]\ngone = 2\n[[kind]]\nlabel = "a"', where="x.toml")
    twice = '[[kind]]\nlabel = "a"\n'
    with pytest.raises(YardError, match="two kinds are labelled 'a'"):
        parse_survey_suite(head + twice + twice, where="x.toml")


def test_an_interrupted_run_goes_on(monkeypatch, tmp_path, capsys):
    file = tmp_path / "x.toml"
    file.write_text(
        'name = "x"\nversion = 1\nsummary = "two"\nseed = 1\npairs = 2\n[[kind]]\nlabel = "a"\n[kind.camera]\n'
        "width_px = 240\nheight_px = 200\n",
        encoding="utf-8",
    )
    suite = load_survey_suite(str(file))
    digests = [roll.digest for _, roll in suite.made()]
    out = tmp_path / "out"
    held = command.held_pairs(out / command.STORE, [suite.digest, "report", command.code_digest()])
    first = replace(outcome(SURVEY, SURVEY), roll=digests[0])
    held.add(first)
    with held.path.open("a", encoding="utf-8") as cut:
        cut.write('\n{"kind": "a", "ro')
    asked = []

    def instead(missing, held, *, workers, name):
        asked.extend(roll.digest for _, roll in missing)
        for _, roll in missing:
            held.add(replace(first, roll=roll.digest))

    monkeypatch.setattr(command, "_run", instead)
    assert main(["surveys", str(file), "--out", str(out)]) == 0
    assert asked == digests[1:]
    shown = capsys.readouterr().out
    assert "0/4 (0–60 %)" in shown
    assert max(map(len, shown.splitlines()[:-1])) <= 80
    plain = json.loads((out / command.OBJECT).read_text(encoding="utf-8"))
    assert plain["kinds"][0]["statements"] == {"count": 0, "trials": 4}
    assert (out / command.PICTURE).stat().st_size > 10_000
    with pytest.raises(YardError, match="of another suite or code"):
        command.held_pairs(out / command.STORE, ["other"])


def test_tables_fit_80_columns():
    told = [Told(fate, said, 9.0) for fate in Fate for said in (*Fate, PARTED, UNSEEN)] * 100
    found = scores([outcome(SURVEY, SURVEY, told=told, kind=name * 30) for name in "ab"])
    assert max(map(len, score_lines(found))) <= 80
