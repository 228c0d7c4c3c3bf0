"""Thresholds chosen on one half of the frames and tried on the other."""

import dataclasses
import json
import math

import numpy as np
import pytest

from moteyard.bench.cells import Record
from moteyard.bench.choice import CellChoice, Choice, choose, halves, read_choice, write_choice
from moteyard.bench.errors import YardError
from moteyard.bench.store import FALSE_ALARM, HIT, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow
from moteyard.bench.wishes import CostWish, PrecisionWish, RecallWish, Wish


def record(number, hits, false_alarms, block=None):
    truth = np.zeros(4, dtype=TRUTH_TYPE)
    truth["counted"] = True
    spots = np.zeros(len(hits) + len(false_alarms), dtype=SPOT_TYPE)
    spots["score"] = [*hits, *false_alarms]
    spots["kind"] = [HIT] * len(hits) + [FALSE_ALARM] * len(false_alarms)
    spots = spots[np.argsort(-spots["score"], kind="stable")]
    frame = FrameRow(f"s{number}", f"sky/{number}", "sky", 8.0, block or f"b{number}", 1.0, "", "", 0.01, 0.1, truth)
    return Record(frame, ResultRow(f"s{number}", "m", "m-1", None, 0.1, 0.1, spots))


def table(frames, rng, lift=0.0):
    return {"m": [record(n, rng.normal(6, 1, 3), rng.normal(2 + lift, 1, 20)) for n in range(frames)]}


def test_halves_never_cut_a_block():
    records = [record(n, [], [], block=f"b{n % 7}") for n in range(40)]
    calibration, held_out = halves(records)
    assert {r.frame.block for r in calibration}.isdisjoint({r.frame.block for r in held_out})
    assert len(calibration) == 3
    assert len({r.frame.block for r in calibration}) == 3
    assert halves(records[::-1])[1] != []


def test_the_promise_holds_on_new_frames():
    """Over many suites at most 5 % break a promise made with 95 % confidence; here a normal law stands by."""
    from scipy.stats import binom, norm

    broken = 0
    for seed in range(200):
        (ground,) = choose(table(80, np.random.default_rng(seed)), "m", Wish(most=1, share=0.9, confidence=0.95))
        assert ground.guaranteed
        chance = norm.sf(ground.threshold - 2)
        broken += binom.sf(1, 20, chance) > 0.1
    assert broken <= 0.05 * 200 + 3 * math.sqrt(200 * 0.05 * 0.95)


def test_too_few_frames_are_said():
    (ground,) = choose(table(40, np.random.default_rng(0)), "m", Wish())
    assert not ground.guaranteed
    assert "needs 29 independent frames to choose on, there are 20" in ground.note


def test_a_method_that_finds_little_is_not_trusted():
    (ground,) = choose(table(80, np.random.default_rng(0), lift=5.0), "m", Wish())
    assert ground.recall < 0.5
    assert not ground.trusted


def test_a_broken_promise_is_seen_on_the_held_out_half():
    quiet, loud = ([record(n, [9], s) for n in range(80)] for s in ([], [5, 5, 5]))
    chosen = {r.frame.block for r in halves(quiet)[0]}
    mixed = [q if q.frame.block in chosen else other for q, other in zip(quiet, loud, strict=True)]
    (ground,) = choose({"m": mixed}, "m", Wish())
    assert ground.over == 40
    assert not ground.trusted
    assert "40 of 40 held-out frames had more false alarms than allowed" in ground.note


def choice():
    ground = CellChoice("sky", 8.0, math.inf, False, "", 0, 0, 0, math.nan, math.nan, math.nan, 0.01, 0.02, False)
    return Choice("dog", "dog", "dog-1-abc", "tiny version 1", 0.1, Wish(), (ground,))


def test_a_choice_survives_its_file_even_infinite(tmp_path):
    write_choice(choice(), tmp_path / "threshold.json")
    back = read_choice(tmp_path)
    assert back.cells[0].threshold == math.inf
    assert math.isnan(back.cells[0].recall)
    assert dataclasses.replace(back, cells=()) == dataclasses.replace(choice(), cells=())


@pytest.mark.parametrize(
    "wish", [Wish(2, 0.8, 0.9), RecallWish(0.9), PrecisionWish(0.8, 0.99), CostWish(1.0, 3.0)], ids=lambda w: w.aim
)
def test_every_wish_survives_the_file(wish, tmp_path):
    write_choice(dataclasses.replace(choice(), wish=wish), tmp_path / "threshold.json")
    assert read_choice(tmp_path).wish == wish


def test_files_from_before_other_wishes_are_read(tmp_path):
    write_choice(choice(), tmp_path / "threshold.json")
    card = json.loads((tmp_path / "threshold.json").read_text(encoding="utf-8"))
    card["format"] = 3
    del card["wish"]["aim"]
    for name in ("measured", "measured_low", "measured_high", "untouched"):
        del card["cells"][0][name]
    (tmp_path / "threshold.json").write_text(json.dumps(card), encoding="utf-8")
    back = read_choice(tmp_path)
    assert back.wish == Wish()
    assert math.isnan(back.cells[0].measured)
    card["format"] = 5
    (tmp_path / "threshold.json").write_text(json.dumps(card), encoding="utf-8")
    with pytest.raises(YardError, match="was written by another version"):
        read_choice(tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"format": 3}', '{"format": 3, "wish": 3, "cells": []}', "\x00"])
def test_files_that_are_no_choice(text, tmp_path):
    (tmp_path / "threshold.json").write_text(text, encoding="utf-8")
    with pytest.raises(YardError, match="is not a chosen threshold"):
        read_choice(tmp_path / "threshold.json")


def test_a_missing_choice_says_how_to_make_one(tmp_path):
    with pytest.raises(YardError, match="make one with: moteyard threshold"):
        read_choice(tmp_path)
