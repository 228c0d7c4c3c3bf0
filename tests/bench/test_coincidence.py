"""Places that pictures share, against chance counted by hand and by experiment."""

import math

import numpy as np
import pytest

from moteyard.bench.field.coincidence import shared_places

SIZE = (1000, 1000)


def at(*places):
    return np.array([[x, y, 12.0] for x, y in places], dtype=float).reshape(-1, 3)


def shared(pictures, most_expected=0.05, reach_px=5.0):
    return shared_places(pictures, size=SIZE, reach_px=reach_px, most_expected=most_expected)


def test_the_chance_of_one_pair_by_hand():
    # One candidate within a window of 150×150: a disk of radius 5 has 25π/22500 of it, 3.4907e-3. Two candidates
    # at three depths: 6·(1 − exp(−3.4907e-3)) = 0.020907.
    (place,) = shared([at((500, 500)), at((503, 500))])
    assert place.expected == pytest.approx(6 * (1 - math.exp(-25 * math.pi / 22_500)), rel=1e-9)
    assert place.expected == pytest.approx(0.020907, rel=1e-4)
    assert (place.x, place.y, place.diameter_px, place.members) == (501.5, 500, 12, (0, 1))


def test_the_window_ends_at_the_frame():
    # In the corner a quarter of the window is inside, and chance is four times as large.
    middle, corner = (shared([at((p, p)), at((p, p))], 1)[0].expected for p in (500, -0.5))
    assert corner / middle == pytest.approx(4, rel=0.01)


def test_reach_is_inclusive_and_no_more():
    assert len(shared([at((500, 500)), at((505, 500))])) == 1
    assert shared([at((500, 500)), at((505.1, 500))]) == []


def test_more_company_is_surer():
    two, three = (shared([at((500, 500))] * n)[0].expected for n in (2, 3))
    assert three < two / 100
    assert shared([at((500, 500)), at(), at((500, 500))])[0].members == (0, 2)


def test_one_place_is_told_once():
    pictures = [at((500 + dx, 500), (200, 300)) for dx in (0, 1, -1, 2)]
    assert [(round(place.x), round(place.y)) for place in shared(pictures)] == [(200, 300), (500, 500)]


def test_nothing_in_nothing():
    assert shared([at(), at()]) == []
    assert shared([]) == []


def crowded(rng, count=150):
    """Candidates of an independent picture, four fifths of them along one horizon."""
    x = rng.uniform(0, 999, count)
    y = np.where(rng.random(count) < 0.8, 600 + 25 * rng.standard_normal(count), rng.uniform(0, 999, count))
    return np.column_stack([x, np.clip(y, 0, 999), np.full(count, 12.0)])


@pytest.mark.parametrize(("pictures", "folders"), [(3, 60), (8, 20)])
def test_chance_is_kept_where_all_pictures_are_crowded_in_one_place(pictures, folders):
    # Expected places are at most 0.05 a folder, so at most 3 and 1; more than 8 and 4 come once in 250 (Poisson).
    rng = np.random.default_rng(12)
    found = sum(len(shared([crowded(rng) for _ in range(pictures)])) for _ in range(folders))
    assert found <= {60: 8, 20: 4}[folders]


def test_what_is_there_is_found_in_the_crowd():
    rng = np.random.default_rng(5)
    dust = rng.uniform(50, 950, (6, 2))
    pictures = []
    for _ in range(8):
        seen = dust[rng.random(6) < 0.8] + rng.normal(0, 1.0, (1, 2))
        own = crowded(rng)
        rows = np.column_stack([seen, np.full(len(seen), 12.0)])
        where = np.sort(rng.integers(0, 80, len(rows)))
        pictures.append(np.insert(own, where, rows, axis=0))
    found = shared(pictures)
    near = [any(math.hypot(p.x - x, p.y - y) < 4 for p in found) for x, y in dust]
    assert sum(near) >= 5
    assert len(found) <= 6
