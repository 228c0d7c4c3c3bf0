"""Grounds from tiles and coarse grids: cuttings piled up, periodic cells, slow colours, chance by place, memory."""

import gc

import cv2
import numpy as np
import pytest
from scipy import stats
from scipy.spatial import cKDTree

from moteyard.generators.backgrounds import room
from moteyard.generators.backgrounds.cells import _seeds, cells
from moteyard.generators.backgrounds.lichen import Lichens
from moteyard.generators.backgrounds.noise import MARGIN_SAMPLES
from moteyard.generators.backgrounds.piles import OVERLAP, PILE_TILE, SINKING, STRIDE, Pile, piled_rows
from moteyard.generators.backgrounds.points import chances, power_law
from moteyard.generators.backgrounds.scree import _lit
from moteyard.generators.backgrounds.tint import Tint


def rng(seed=0):
    return np.random.default_rng(seed)


def test_memory_is_used_again_only_when_nobody_holds_an_array_in_it():
    first = room.empty((40, 50, 3))
    place, part = first.ctypes.data, first[7:, :, 1]
    part[:] = 1
    del first
    gc.collect()
    second = room.empty((40, 50, 3))
    second[:] = 2
    assert second.ctypes.data != place
    assert (part == 1).all()
    del part
    gc.collect()
    assert room.empty((40, 50, 3)).ctypes.data == place
    assert room.empty((41, 50, 3)).shape == (41, 50, 3)


def test_cuttings_piled_up_are_the_tile_but_for_their_seams():
    tile = np.arange(600 * 600, dtype=np.float32).reshape(600, 600)  # every sample tells its place
    tops = rng(1).random((600, 600), dtype=np.float32)
    shape = (2 * STRIDE + 100, 3 * STRIDE)
    rows = Pile(tile, tops).over(shape, rng(2))
    whole = rows(slice(0, shape[0]))
    assert np.array_equal(np.concatenate([rows(slice(0, 333)), rows(slice(333, shape[0]))]), whole)
    y, x = np.divmod(whole.astype(int), 600)
    beside = ((x[:, 1:] - x[:, :-1]) % 600 == 1) & (y[:, 1:] == y[:, :-1])
    # Torn only in seams, three or four of them as wide as the overlap, and in these only where heights are near.
    assert 0.9 < beside.mean() < 1
    torn = np.flatnonzero((~beside).mean(axis=0) > 0.2)
    assert len(torn) <= 4 * OVERLAP
    # Heights of 0…1 can't outweigh the sinking but within a third of the seam.
    assert len(torn) >= 2
    assert len(torn) <= 4 * (OVERLAP / SINKING + 2)


def test_the_taller_is_seen_where_cuttings_meet():
    flat, tall = np.zeros((500, 500), np.float32), np.zeros((500, 500), np.float32)
    tall[::50, ::50] = 2 * SINKING  # taller than a cutting can sink: seen wherever one reaches
    shape = (STRIDE + 300, STRIDE + 300)
    shown = Pile((tall > 0).astype(np.float32), tall).over(shape, rng(3))(slice(0, shape[0]))
    hidden = Pile((tall > 0).astype(np.float32), flat).over(shape, rng(3))(slice(0, shape[0]))
    assert shown.sum() > hidden.sum()  # in a seam there are those of both
    assert 1 < shown.sum() / (shown.size / 2500) < 1.4


def test_small_planes_are_made_whole_and_large_ones_of_a_periodic_tile():
    asked = []

    def look(shape, periodic):
        asked.append((shape, periodic))
        return np.ones(shape, np.float32), np.zeros(shape, np.float32)

    assert piled_rows((30, 50), look, rng())(slice(4, 9)).shape == (5, 50)
    assert piled_rows((1500, 1500), look, rng())(slice(4, 9)).shape == (5, 1500)
    assert asked == [((30, 50), False), ((PILE_TILE, PILE_TILE), True)]


def test_periodic_cells_are_those_of_a_torus():
    # Against nearest neighbours on a torus (scipy.spatial.cKDTree with a box); the mask of five errs by 2 %.
    shape, spacing = (160, 200), 15.0
    distance, number = cells(shape, spacing, rng(5), periodic=True)
    seeds, margin = _seeds(shape, spacing, rng(5), True)
    at = np.argwhere(seeds[margin:-margin, margin:-margin] == 0)
    exact, nearest = cKDTree(at, boxsize=shape).query(np.argwhere(np.ones(shape, bool)))
    np.testing.assert_allclose(distance.ravel() * spacing, exact, atol=0.03 * exact.max())
    sure = np.array([np.bincount(number.ravel()[nearest == seed]).argmax() for seed in range(len(at))])
    assert (number.ravel() == sure[nearest]).mean() > 0.97
    assert len(set(sure)) > 0.7 * min(len(at), 256)


@pytest.mark.parametrize("finer", [False, True])
@pytest.mark.parametrize("canvas", [(37, 50), (120, 161)])
def test_a_coarse_plane_lies_where_it_was_made(canvas, finer):
    # A plane is a plane again, whatever rows are asked for, to a half sample where lines are straight.
    grid = Tint(canvas, 4, rng())
    y, x = (4.0 * (np.arange(side) - MARGIN_SAMPLES) for side in grid.grid)
    planes = np.stack([np.broadcast_to(y[:, None], grid.grid), np.broadcast_to(x, grid.grid)]).astype(np.float32)
    half = np.full(Tint(canvas, 2, rng()).grid, 3, np.float32) if finer else None
    lit = grid.lit(planes, half)
    rows = slice(5, 30)
    found = lit(rows, np.full((25, canvas[1]), 2, np.float32)) / (6 if finer else 2)
    np.testing.assert_allclose(found[0], np.broadcast_to(np.arange(5, 30)[:, None], found[0].shape), atol=0.6)
    np.testing.assert_allclose(found[1], np.broadcast_to(np.arange(canvas[1]), found[1].shape), atol=0.6)
    assert np.ptp(np.diff(found[1][:, 8:-8], axis=1)) < 0.02
    assert grid.at(planes[1], np.array([16.0]), np.array([8.0])) == 16


def test_chance_by_place_is_uniform_and_the_same_again():
    places = np.arange(1000, 201_000)
    chance = chances(places, 77)
    assert np.array_equal(chances(places[500:600], 77), chance[500:600])
    assert stats.kstest(chance, "uniform").pvalue > 1e-3
    assert abs(np.corrcoef(chance[1:], chance[:-1])[0, 1]) < 0.01
    assert abs(np.corrcoef(chance, chances(places, 78))[0, 1]) < 0.01


def test_brightnesses_follow_their_power_law():
    bright = power_law(rng(3).random(50_000, dtype=np.float32), 1.6, largest=24.0)
    assert bright.min() >= 0
    assert bright.max() == pytest.approx(24, rel=1e-4)
    for level in (0.5, 2.0, 8.0):
        assert (bright > level).mean() == pytest.approx((1 + level) ** -1.6, rel=0.08)


def test_crusts_are_round_and_lie_in_the_reach_of_their_kind():
    lichens = Lichens.scattered((700, 900), rng(9))
    grown = lichens.crusts > 128
    assert 0.001 < grown.mean() < 0.2
    assert (lichens.kinds[grown] > 0).all()
    _, _, boxes, _ = cv2.connectedComponentsWithStats(grown.astype(np.uint8))
    alone = boxes[(boxes[:, 2] == boxes[:, 3]) & (boxes[:, 2] > 8) & (boxes[:, 2] < 40)]  # as wide as high
    assert len(alone) > 10
    assert np.median(alone[:, 4] / alone[:, 2] ** 2) == pytest.approx(np.pi / 4, abs=0.12)


def test_cells_of_a_wide_tile_are_numbered_in_turn():
    # A tile whose width is a multiple of 256: numbers must not tell the column.
    _, number = cells((128, 512), 12.0, rng(4), periodic=True)
    seeds, margin = _seeds((128, 512), 12.0, rng(4), True)
    at = np.argwhere(seeds[margin:-margin, margin:-margin] == 0)
    own = number[at[:, 0], at[:, 1]]
    assert abs(np.corrcoef(own, at[:, 1] % 256)[0, 1]) < 0.2
    assert np.array_equal(own, np.arange(len(at)) & 255)


def test_stones_are_not_cut_along_straight_lines():
    # Where one cutting of stones stands before another the edge wanders: few samples of it lie in runs of ten and more.
    light, tops = _lit(18.0, 70.0, rng(8), (896, 896), True)
    place = np.arange(light.size, dtype=np.float32).reshape(light.shape)
    shape = (1500, 1500)
    shown = Pile(place, tops).over(shape, rng(1))(slice(0, shape[0])).astype(int)
    y, x = np.divmod(shown, 896)
    torn = ((x[:, 1:] - x[:, :-1]) % 896 != 1) | ((y[:, 1:] - y[:, :-1]) % 896 != 0)
    runs = [len(run) for line in torn.T for run in "".join("01"[int(each)] for each in line).split("0") if run]
    assert sum(run for run in runs if run >= 10) < 0.06 * sum(runs)
