"""What the evidence network says of one photograph: likelihood ratios, by size of grain and place.

That they are is checked against two laws that hold for likelihood ratios of any kind: under the hypothesis in their
denominator their mean is 1 (Turing's theorem, I. J. Good, Probability and the Weighing of Evidence, 1950, from memory),
and posterior odds are prior odds times the ratio (Bayes).
"""

import dataclasses
import math

import numpy as np
import pytest

from moteyard.bench.handover import photograph
from moteyard.bench.training.recipe import Recipe
from moteyard.detectors.consensus_frame import SIZES_UM
from moteyard.detectors.consensus_scene import ALIKE, likeness
from moteyard.detectors.network.evidence import Words
from moteyard.detectors.network.evidence_target import (
    EDGES_UM,
    GRAIN,
    LN_SHARES,
    PER_MEGAPIXEL,
    PRIOR,
    WEIGHT,
    Grains,
    grain_target,
)
from moteyard.detectors.network.features import View, views
from moteyard.detectors.network.in_bytes import network_in_bytes
from moteyard.detectors.network.together import SHIPPED
from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Even, Population
from moteyard.generators.roll import render_roll
from moteyard.generators.roll_plan import RollPlan, make_roll
from moteyard.generators.scene import Scene, render, scene_seed

GRID = 4


def target_of(x, y, size, *, step=1, shape=(30, 40), **more):
    place = [np.atleast_1d(np.asarray(each, dtype=float)) for each in (x, y, size)]
    return grain_target(Grains(*place), View(step=step, pupil_px=6.0), shape, **more)


class TestWhatItIsToAnswer:
    def test_a_grain_lies_in_one_place_of_one_cell_in_its_class(self):
        # Places of 2 pixels have their middles at 0.5 + 2 n: x = 42.7 is in place 21, y = 19.1 in place 9.
        planes = target_of(42.7, 19.1, 30.0)
        (where,) = np.argwhere(planes[GRAIN])
        assert tuple(where) == (2 * (9 % 2) + 21 % 2, 9 // 2, 21 // 2)
        assert planes[GRAIN].max() == 1 + SIZES_UM.index(28.0)  # 28 is nearer than 34 in ratio
        assert planes[WEIGHT].min() == 1.0

    def test_sizes_beyond_the_classes_and_lines_do_not_count(self):
        planes = target_of([10.0, 50.0], [10.0, 50.0], [9.0, 200.0])
        assert not planes[GRAIN].any()
        assert [planes[WEIGHT, 2, 2], planes[WEIGHT, 12, 12]] == [0.0, 0.0]
        ignored = np.zeros((120, 160), dtype=bool)
        ignored[7, 9] = True
        assert target_of([], [], [], ignored=ignored)[WEIGHT].sum() == 30 * 40 - 1

    def test_edges_lie_between_sizes_in_ratio(self):
        assert len(EDGES_UM) == len(SIZES_UM) + 1
        for low, size, high in zip(EDGES_UM[:-1], SIZES_UM, EDGES_UM[1:], strict=True):
            assert low < size < high
        assert sum(math.exp(share) for share in LN_SHARES) == pytest.approx(1)

    def test_the_prior_is_the_share_of_places_that_hold_a_grain(self):
        recipe = Recipe(width_px=1200, height_px=800, lesson="evidence")
        grains, places, expected = 0, 0, 0.0
        for number in range(40):
            scene = recipe.scene(number)
            size = scene.camera.width_px * scene.camera.height_px
            lying = scene.population.scatter(
                *(side * scene.optics.pixel_um / 1e3 for side in (1200, 800)), _rng(number)
            )
            count = size // (2 * 2) ** 2
            grains, places = grains + len(lying), places + count
            expected += count * math.exp(target_of([], [], [], step=2)[PRIOR, 0, 0])
        assert expected == pytest.approx(40 * PER_MEGAPIXEL * 0.96, rel=1e-6)
        assert abs(grains - expected) < 4 * math.sqrt(expected)  # Poisson


def _rng(number):
    return np.random.default_rng(number)


def frames(background, count, *, f_number=11.0, namespace="develop"):
    for number in range(count):
        scene = Scene(
            name=f"{background}/{number}",
            background=background,
            optics=Optics(f_number=f_number),
            camera=Camera(width_px=960, height_px=640, jpeg_quality=92),
            population=Even(PER_MEGAPIXEL * 0.6144, EDGES_UM[0], EDGES_UM[-1]),
            seed=scene_seed(11, namespace, f"evidence/{background}/{number}"),
        )
        yield render(scene, measured=False)


def said(frame):
    words = Words(photograph(frame), GRID, network_in_bytes(SHIPPED))
    return np.stack([map_ for _, map_ in words.maps()])


def truth_on_grid(frame, shape):
    held = np.zeros(shape, dtype=int)
    rows, columns = (np.rint((place - 1.5) / GRID).astype(int) for place in (frame.truth.y, frame.truth.x))
    kinds = np.searchsorted(EDGES_UM, frame.truth.diameter_um)
    for row, column, kind in zip(rows, columns, kinds, strict=True):
        held[min(row, shape[0] - 1), min(column, shape[1] - 1)] = kind
    return held


@pytest.fixture(scope="module", params=["scrub", "rock", "snow"])
def answers(request):
    """Words (frames, sizes, h, w) and the class of the grain in each place, 0 for none."""
    words, held = [], []
    for frame in frames(request.param, 8):
        words.append(said(frame))
        held.append(truth_on_grid(frame, words[-1].shape[1:]))
    return np.stack(words), np.stack(held)


class TestLikelihoodRatios:
    def test_their_mean_where_nothing_lies_is_one(self, answers):
        words, held = answers
        for size in range(5):  # of larger grains single dark things make most of the mean
            mean = np.exp(words[:, size][held == 0]).mean()
            assert 0.6 < mean < 1.6, SIZES_UM[size]

    def test_posterior_odds_are_prior_odds_times_the_ratio(self, answers):
        words, held = answers
        prior = np.exp(np.array(LN_SHARES)) * PER_MEGAPIXEL * GRID**2 / 1e6
        odds = words + np.log(prior)[None, :, None, None]
        lies = held[:, None] == 1 + np.arange(len(SIZES_UM))[None, :, None, None]
        counts = held[:, None].repeat(len(SIZES_UM), axis=1)
        sure = 1 / (1 + np.exp(-odds))
        for low, high in ((0.001, 0.01), (0.01, 0.1), (0.1, 0.5), (0.5, 1.0)):
            here = (sure >= low) & (sure < high) & ((counts == 0) | lies)
            expected, found = sure[here].sum(), lies[here].sum()
            assert found >= 4, (low, high)
            # Within a factor of two, and what chance adds to it.
            assert expected / 2 - 2 * math.sqrt(expected) < found < 2 * expected + 2 * math.sqrt(expected), (low, high)

    def test_shadows_speak_for_themselves_and_the_deeper_the_louder(self, answers):
        words, held = answers
        for_it = [np.mean(words[:, size][held == size + 1]) for size in range(len(SIZES_UM))]
        against = [np.mean(words[:, size][held == 0]) for size in range(len(SIZES_UM))]
        assert all(own > other for own, other in zip(for_it[4:], against[4:], strict=True))  # from 34 µm
        assert for_it[-1] > for_it[4] + 1


class TestScenes:
    def test_plain_skies_with_the_same_dust_are_different_scenes(self):
        plan = RollPlan(
            theme="sky",
            exposures=2,
            test_frames=0,
            lens_changes=0,
            f_numbers=(16.0,),
            camera=Camera(width_px=960, height_px=640, jpeg_quality=92),
            population=Population(smallest_um=50.0, mean_count=25.0),
        )
        roll = [photograph(each) for each in render_roll(make_roll(plan, "skies", entropy=5))]
        first, second = (Words(shot, GRID, network_in_bytes(SHIPPED)).scene for shot in roll)
        assert likeness(first, second) < ALIKE
        assert likeness(first, first) == pytest.approx(1, abs=1e-6)


class TestWhatItIsShown:
    def test_an_unknown_f_number_is_every_one_with_the_same_right(self):
        frame = next(iter(frames("sky", 1)))
        shot = photograph(frame)
        known = said(frame)
        unknown = Words(dataclasses.replace(shot, f_number=None), GRID, network_in_bytes(SHIPPED))
        maps = np.stack([map_ for _, map_ in unknown.maps()])
        assert maps.shape == known.shape
        large = frame.truth.diameter_um > 60
        held = truth_on_grid(frame, known.shape[1:]) > SIZES_UM.index(65.0)
        assert large.sum() >= 5
        assert np.mean(maps.max(axis=0)[held]) > np.mean(maps.max(axis=0)) + 3

    def test_too_small_a_photograph_says_nothing(self):
        shot = photograph(next(iter(frames("sky", 1))))
        small = dataclasses.replace(shot, pixels=shot.pixels[:40, :40])
        assert not any(map_.any() for _, map_ in Words(small, GRID, network_in_bytes(SHIPPED)).maps())
        assert len(views(small)) == 1
