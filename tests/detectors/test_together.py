"""The network and the consensus together, on rolls whose dust is known."""

import dataclasses

import numpy as np
import pytest

from moteyard.bench.handover import photograph
from moteyard.detectors.consensus import Consensus, spots_in
from moteyard.detectors.consensus_study import Study
from moteyard.detectors.contract import Photograph
from moteyard.detectors.network.together import LEAST, MOST, OFFSET, SLOPE, NetworkConsensus, _between, with_network
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
        f_numbers=(11.0,),
        camera=Camera(width_px=480, height_px=320, jpeg_quality=92),
        population=Population(smallest_um=35.0, mean_count=8.0),
    )
    return list(render_roll(make_roll(plan, "together", entropy=7, namespace="develop")))


def found(spots, truth, *, within=8.0):
    apart = np.hypot(spots.x[None] - truth.x[:, None], spots.y[None] - truth.y[:, None])
    return apart.min(axis=1) < within


def test_finds_what_lies_there_on_every_photograph(frames):
    answer = NetworkConsensus().detect([photograph(frame) for frame in frames])
    for spots, frame in zip(answer, frames, strict=True):
        assert len(frame.truth) >= 4
        assert found(spots.strongest(len(frame.truth) + 2), frame.truth).mean() >= 0.6


def test_a_roll_without_dust_earns_little(frames):
    clean = [
        dataclasses.replace(photograph(frame), pixels=np.full_like(frame.pixels, 128 + number))
        for number, frame in enumerate(frames)
    ]
    for spots in NetworkConsensus().detect(clean):
        assert spots.score.max(initial=0.0) < 2.0


def test_no_network_no_change(frames):
    roll = [photograph(frame) for frame in frames[:2]]
    optical = Consensus().detect(roll)
    studied = Study((), (1.0, 1.0), (0.0, 1.0))
    # Only the first photograph shows something new, and a network that doubts everywhere proposes nothing.
    doubt = with_network(roll, studied, lambda shown: np.full((1, 4, shown.shape[2] // 2, shown.shape[3] // 2), -9.0))
    assert doubt.grains == ()
    assert len(optical) == 2


def test_one_photograph_can_neither_convince_nor_veto_alone(frames):
    roll = [photograph(frames[0])]

    def sure(shown):
        answer = np.full((1, 4, shown.shape[2] // 2, shown.shape[3] // 2), -9.0, dtype=np.float32)
        answer[0, 0, 10, 12] = 5.0
        return answer

    (grain, *_) = with_network(roll, Study((), (1.0,), (0.0,)), sure).grains
    assert grain.score == pytest.approx(SLOPE * 5 + OFFSET, abs=0.01)
    # At f/11 and 6 µm a cell is 8 pixels: cell (10, 12) has its middle at 8·12 + 3.5, 8·10 + 3.5.
    assert (grain.x, grain.y) == pytest.approx((99.5, 83.5), abs=1.5)
    assert LEAST < 0 < grain.score < MOST


def test_between_is_cubic():
    rows, columns = np.mgrid[:9, :9].astype(np.float32)
    np.testing.assert_allclose(
        _between(rows * 2 + columns, np.array([4.5, 3.25], np.float32), np.array([4.0, 2.5], np.float32)),
        [13, 9],
        atol=0.1,  # of cubic interpolation with its usual −0.75
    )


def test_photographs_of_two_sizes_are_two_rolls(frames):
    roll = [photograph(frames[0]), Photograph(frames[1].pixels[:200, :300], f_number=11, pixel_um=6.0)]
    both = NetworkConsensus().detect(roll)
    (alone,) = NetworkConsensus().detect(roll[:1])
    np.testing.assert_array_equal(both[0].x, alone.x)
    assert spots_in(Study((), (1.0,), (0.0,)), 0, roll[0]).score.size == 0


def test_a_growing_roll_is_answered_like_its_beginnings(frames):
    roll = [photograph(frame) for frame in frames[:3]]
    for count, spots in zip((1, 3), NetworkConsensus().detect_latest(roll, (1, 3)), strict=True):
        alone = NetworkConsensus().detect(roll[:count])[-1]
        assert len(spots) > 0
        assert np.array_equal(spots.score, alone.score)
        assert np.array_equal(spots.x, alone.x)
