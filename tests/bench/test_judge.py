"""Verdicts on candidates along lines, by hand."""

import numpy as np
import pytest

from moteyard.bench.judge import judged
from moteyard.bench.store import FALSE_ALARM, HIT, IGNORED, TRUTH_TYPE
from moteyard.detectors.contract import Spots


@pytest.fixture
def fibre():
    """A fibre along row 20, columns 10…50, its middle at 30; and a grain at (70, 20)."""
    truth = np.zeros(2, TRUTH_TYPE)
    truth["x"], truth["y"], truth["fwhm_px"], truth["counted"] = [30, 70], [20, 20], [5, 8], True
    footprint = np.full((40, 90), -1, np.int16)
    footprint[18:23, 10:51] = 0
    return truth, footprint


def spots(*places):
    x, y = np.array(places, dtype=float).T
    return Spots(x=x, y=y, diameter_px=np.full(len(x), 6.0), score=np.arange(len(x), 0, -1.0))


def test_anywhere_along_a_line_is_one_hit_and_no_false_alarm(fibre):
    table = judged(spots((12, 20), (30, 20), (48, 21), (70, 21), (60, 35)), fibre[0], footprint=fibre[1])
    assert table["kind"].tolist() == [HIT, IGNORED, IGNORED, HIT, FALSE_ALARM]
    assert table["truth"].tolist() == [0, -1, -1, 1, -1]
    assert table["x"].tolist() == [12, 30, 48, 70, 60]


def test_three_pixels_beside_a_line_is_on_it_and_four_is_not(fibre):
    assert judged(spots((12, 25), (12, 26)), fibre[0], footprint=fibre[1])["kind"].tolist() == [HIT, FALSE_ALARM]


def test_without_footprint_only_the_middle_counts(fibre):
    assert judged(spots((12, 20), (30, 20)), fibre[0])["kind"].tolist() == [FALSE_ALARM, HIT]


def test_a_line_that_nobody_could_see_is_ignored(fibre):
    truth, footprint = fibre
    truth["counted"][0] = False
    assert judged(spots((12, 20)), truth, footprint=footprint)["kind"].tolist() == [IGNORED]


def test_an_empty_filter_has_only_false_alarms():
    empty = np.full((40, 90), -1, np.int16)
    assert judged(spots((12, 20)), np.zeros(0, TRUTH_TYPE), footprint=empty)["kind"].tolist() == [FALSE_ALARM]


def test_a_grain_on_a_fibre_is_a_grain(fibre):
    truth, footprint = fibre
    truth["x"][1], truth["y"][1] = 45, 20
    both = judged(spots((45, 20), (12, 20)), truth, footprint=footprint)
    assert both["truth"].tolist() == [1, 0]
    truth["counted"][0] = False
    assert judged(spots((45, 20)), truth, footprint=footprint)["kind"].tolist() == [HIT]
