"""A roll by the evidence network: words add up, place by place and size by size, and what lies there is found."""

import dataclasses

import numpy as np
import pytest
from scipy.special import logsumexp

from moteyard.bench.handover import photograph
from moteyard.detectors.consensus_frame import SIZES_UM
from moteyard.detectors.contract import Photograph
from moteyard.detectors.network.evidence import LEAST, MOST, on_grid
from moteyard.detectors.network.features import View
from moteyard.detectors.network.in_bytes import SAID_PER_UNIT, rounded
from moteyard.detectors.network.together import NetworkConsensus, between, grid_px, studies_by
from moteyard.generators.camera import Camera
from moteyard.generators.particles import Population
from moteyard.generators.roll import render_roll
from moteyard.generators.roll_plan import RollPlan, make_roll


@pytest.fixture(scope="module")
def frames():
    plan = RollPlan(
        theme="mixed",
        exposures=4,
        test_frames=0,
        lens_changes=0,
        f_numbers=(11.0,),
        camera=Camera(width_px=480, height_px=320, jpeg_quality=92),
        population=Population(smallest_um=35.0, mean_count=8.0),
    )
    return list(render_roll(make_roll(plan, "together", entropy=7, namespace="develop")))


def found(spots, truth, *, within=8.0):
    apart = np.hypot(spots.x[None] - truth.x[:, None], spots.y[None] - truth.y[:, None])
    return apart.min(axis=1) < within


class Says:
    """A network that says one thing of one size in one place of a cell, and nothing else of anything."""

    def __init__(self, word, *, size=5, phase=0, cell=(10, 12), elsewhere=0.0):
        self.word, self.channel, self.cell, self.elsewhere, self.asked = word, 4 * size + phase, cell, elsewhere, 0

    def __call__(self, shown):
        self.asked += 1
        answer = np.full((1, 4 * len(SIZES_UM), shown.shape[2] // 2, shown.shape[3] // 2), self.elsewhere, np.float32)
        answer[0, self.channel, *self.cell] = self.word
        return answer


class TestWhatItFinds:
    def test_what_lies_there_on_every_photograph(self, frames):
        answer = NetworkConsensus().detect([photograph(frame) for frame in frames])
        for spots, frame in zip(answer, frames, strict=True):
            assert len(frame.truth) >= 4
            assert found(spots.strongest(len(frame.truth) + 2), frame.truth).mean() >= 0.8

    def test_a_roll_without_dust_earns_little(self, frames):
        clean = [
            dataclasses.replace(photograph(frame), pixels=np.full_like(frame.pixels, 128 + number))
            for number, frame in enumerate(frames)
        ]
        for spots in NetworkConsensus().detect(clean):
            assert spots.score.max(initial=0.0) < 3.0  # 2.2 in single precision, along the upper edge

    def test_photographs_of_two_sizes_are_two_rolls(self, frames):
        roll = [photograph(frames[0]), Photograph(frames[1].pixels[:200, :300], f_number=11, pixel_um=6.0)]
        both = NetworkConsensus().detect(roll)
        (alone,) = NetworkConsensus().detect(roll[:1])
        np.testing.assert_array_equal(both[0].x, alone.x)

    def test_a_growing_roll_is_answered_like_its_beginnings(self, frames):
        roll = [photograph(frame) for frame in frames[:3]]
        for count, spots in zip((1, 3), NetworkConsensus().detect_latest(roll, (1, 3)), strict=True):
            alone = NetworkConsensus().detect(roll[:count])[-1]
            assert len(spots) > 0
            assert np.array_equal(spots.score, alone.score)
            assert np.array_equal(spots.x, alone.x)


class TestHowWordsAddUp:
    def test_words_are_added_and_the_size_is_that_of_most(self, frames):
        roll = [photograph(frame) for frame in frames]
        (study,) = studies_by(roll, (4,), rounded(Says(2.5, size=5)))
        (grain,) = study.grains
        assert grain.score == pytest.approx(4 * 2.5, abs=4 * 0.5 / SAID_PER_UNIT)
        assert grain.diameter_um == SIZES_UM[5]
        # At f/11 and 6 µm a cell is 8 pixels: its first place has its middle at 8·12 + 1.5, 8·10 + 1.5.
        assert (grain.x, grain.y) == pytest.approx((97.5, 81.5), abs=0.1)
        assert (grain.first, grain.last) == (0, 3)

    @pytest.mark.parametrize(("phase", "x", "y"), [(1, 101.5, 81.5), (2, 97.5, 85.5), (3, 101.5, 85.5)])
    def test_each_place_of_a_cell_is_its_own(self, frames, phase, x, y):
        (study,) = studies_by([photograph(frames[0])], (1,), rounded(Says(5.0, phase=phase)))
        (grain,) = study.grains
        assert (grain.x, grain.y) == pytest.approx((x, y), abs=0.1)

    def test_one_photograph_can_neither_convince_nor_veto_alone(self, frames):
        roll = [photograph(frame) for frame in frames[:2]]
        (study,) = studies_by(roll[:1], (1,), rounded(Says(500.0)))
        assert study.grains[0].score == pytest.approx(MOST, abs=0.5 / SAID_PER_UNIT)
        (study,) = studies_by(roll[:1], (1,), rounded(Says(-500.0, elsewhere=-500.0)))
        assert study.grains == ()
        assert (LEAST, MOST) == (-4.0, 12.0 - 1 / 16)

    def test_a_network_that_doubts_everywhere_finds_nothing(self, frames):
        (study,) = studies_by([photograph(frame) for frame in frames], (4,), rounded(Says(-0.5, elsewhere=-0.5)))
        assert study.grains == ()

    def test_a_scene_that_was_there_before_is_not_asked_about_again(self, frames):
        roll = [photograph(frames[0])] * 3
        says = Says(4.0)
        (study,) = studies_by(roll, (3,), rounded(says))
        assert says.asked == 1
        assert study.likeness[1:] == pytest.approx((1.0, 1.0), abs=1e-6)
        assert study.grains[0].score == pytest.approx(4.0, abs=0.5 / SAID_PER_UNIT)

    def test_clipped_places_say_nothing(self):
        white = Photograph(np.full((320, 480, 3), 255, np.uint8), f_number=11, pixel_um=6.0)
        (study,) = studies_by([white], (1,), rounded(Says(5.0)))
        assert study.grains == ()


class TestGrids:
    def test_the_grid_is_that_of_the_nominal_aperture(self):
        # 1 mm / 11 at 6 µm is 14.7 pixels: halved once it is under 8.4, and a place is two of those pixels.
        assert grid_px(Photograph(np.zeros((320, 480, 3), np.uint8), pixel_um=6.0)) == 4
        assert grid_px(Photograph(np.zeros((320, 480, 3), np.uint8), pixel_um=3.0)) == 8

    def test_of_several_places_the_mean_likelihood(self):
        plane = np.random.default_rng(3).normal(size=(8, 12)).astype(np.float32)
        blocks = plane.reshape(4, 2, 6, 2).astype(np.float64)
        expected = logsumexp(blocks, axis=(1, 3)) - np.log(4)
        np.testing.assert_allclose(on_grid(plane, View(step=1, pupil_px=8.0), 4, (4, 6)), expected, atol=1e-5)

    def test_between_coarser_places_it_is_linear(self):
        rows, columns = np.mgrid[:6, :8].astype(np.float32)
        fine = on_grid(rows * 10 + columns, View(step=4, pupil_px=8.0), 4, (12, 16))
        # Places of 8 pixels have their middles at 3.5 + 8 n, those of 4 pixels at 1.5 + 4 n: a quarter off each way.
        assert fine[5, 7] == pytest.approx(10 * (5 * 4 + 1.5 - 3.5) / 8 + (7 * 4 + 1.5 - 3.5) / 8)
        assert fine[0, 0] == 0

    def test_between_places_kept_as_integers_it_is_linear(self):
        rows, columns = np.mgrid[:9, :9]
        plane = (rows * 2 + columns).astype(np.uint8)
        here = between(plane, np.array([4.5, 3.25], np.float32), np.array([4.0, 2.5], np.float32))
        np.testing.assert_allclose(here, [13, 9], atol=1e-5)
