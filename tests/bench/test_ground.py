"""Which judged cell speaks for a photograph."""

import dataclasses
import math

import pytest

from moteyard.bench.choice import CellChoice, Choice
from moteyard.bench.field.ground import cells_for, names_of, nearest
from moteyard.bench.wishes import Wish


def cell(ground, f_number, recall=0.8, threshold=5.0, texture=(0.01, 0.02)):
    return CellChoice(ground, f_number, threshold, True, "", 30, 30, 0, 0.2, recall, 0.9, *texture, recall >= 0.5)


@pytest.fixture
def choice():
    cells = [
        cell("sky", 8.0, 0.3, 7.0),
        cell("sky", 16.0),
        cell("scrub", 8.0, 0.1, texture=(0.1, 0.2)),
        cell("scrub", 16.0, 0.2, texture=(0.1, 0.2)),
    ]
    return Choice("dog", "dog", "dog-1-abc", "s version 1", 1.0, Wish(), tuple(cells))


def test_the_nearest_aperture_speaks(choice):
    assert [each.f_number for each in cells_for(choice, 13.0)] == [16.0, 16.0]
    assert [each.f_number for each in cells_for(choice, 7.1)] == [8.0, 8.0]


@pytest.mark.parametrize(("f_number", "trusted"), [(22.0, True), (32.0, False), (2.8, False)])
def test_beyond_a_stop_nothing_was_judged(choice, f_number, trusted):
    assert cells_for(choice, f_number)[0].trusted is trusted


def test_an_unknown_aperture_gets_the_most_cautious_numbers(choice):
    sky = cells_for(choice, None)[0]
    assert (sky.threshold, sky.recall, sky.trusted) == (7.0, 0.3, False)


def test_ground_by_texture(choice):
    cells = cells_for(choice, 16.0)
    assert names_of(cells) == ["sky", "scrub", "unknown"]
    found = [names_of(cells)[nearest(texture, cells)] for texture in (0.001, 0.015, 0.03, 0.06, 0.15, 0.29, 0.31)]
    assert found == ["sky", "sky", "sky", "scrub", "scrub", "scrub", "unknown"]
    both = [dataclasses.replace(each, texture_low=0.01, texture_high=0.2) for each in cells]
    assert names_of(both)[nearest(0.05, both)] == "scrub"
    assert math.isfinite(nearest(0.0, cells))
