import numpy as np
import pytest

from moteyard.detectors.contract import Spots
from moteyard.detectors.peaks import joined, local_maxima, most_candidates, refine, without_doubles


def test_maxima_exceed_all_within_reach():
    score = np.zeros((9, 9), np.float32)
    score[2, 2], score[2, 4], score[7, 7] = 3, 2, 1
    assert [a.tolist() for a in local_maxima(score, radius=2, floor=0)] == [[2, 7], [2, 7]]
    assert [a.tolist() for a in local_maxima(score, radius=1, floor=0)] == [[2, 2, 7], [2, 4, 7]]


def test_a_plateau_counts_once_and_a_plain_map_not_at_all():
    score = np.zeros((9, 9), np.float32)
    score[4, 3:6] = 1
    rows, columns = local_maxima(score, radius=1, floor=0.5)
    assert (rows.tolist(), columns.tolist()) in [([4], [3]), ([4], [5])]
    assert len(local_maxima(np.zeros((9, 9), np.float32), radius=2, floor=0)[0]) == 0


def test_nan_is_no_maximum():
    score = np.full((5, 5), np.nan, np.float32)
    score[1, 1] = 1
    assert [a.tolist() for a in local_maxima(score, radius=1, floor=0)] == [[1], [1]]


def test_parabola_finds_its_own_top():
    y, x = np.indices((11, 11)).astype(np.float32)
    score = 5 - (x - 5.3) ** 2 - 2 * (y - 4.8) ** 2
    top = refine(score, np.array([5]), np.array([5]))
    assert np.concatenate(top) == pytest.approx([4.8, 5.3, 5.0], abs=1e-4)


def test_refining_stays_within_half_a_sample_on_the_border():
    score = np.tile(np.arange(6, dtype=np.float32), (6, 1))
    y, x, _ = refine(score, np.array([0]), np.array([5]))
    assert (y[0], x[0]) == (0, pytest.approx(5, abs=0.5))


def test_of_two_within_half_a_width_the_stronger_stays():
    spots = Spots(x=[0, 4, 30], y=[0, 0, 0], diameter_px=[10, 6, 10], score=[1, 2, 0.5])
    assert without_doubles(spots).x.tolist() == [4, 30]


def test_candidates_are_capped():
    assert most_candidates((10, 10)) == 50
    assert most_candidates((4000, 6000)) == 9600


def test_joined_nothing_is_empty():
    assert len(joined([])) == 0
