"""Surfaces drawn together towards the top of a frame, and joints in rock."""

import math

import numpy as np
import pytest
from scipy import integrate

from moteyard.generators.backgrounds.bent import bent_field
from moteyard.generators.backgrounds.joints import Joints, cracked
from moteyard.generators.backgrounds.noise import Spectrum
from moteyard.generators.backgrounds.view import View


def test_a_row_lies_where_the_scale_integrates_to():
    # Row y shows the place ∫dy/s on the surface, s running from 0.5 at the top to 2 at the bottom.
    view, shape = View(0.5, 2.0), (300, 400)
    rows = np.float32([0, 40, 150, 299])
    _, found = view.place(np.arange(400, dtype=np.float32), rows, shape)
    expected = [integrate.quad(lambda y: 1 / (0.5 + 1.5 * y / 300), 0, row)[0] for row in rows]
    assert found[:, 0] == pytest.approx(expected, abs=0.01)
    # The whole height: ln(2/0.5)/(2 − 0.5) = 0.9242 of it.
    assert view.surface(shape)[0] == math.ceil(300 * math.log(4) / 1.5) + 1


def test_columns_are_spaced_by_the_inverse_of_the_scale_about_the_middle():
    view, shape = View(0.5, 2.0), (300, 401)
    columns, _ = view.place(np.arange(401, dtype=np.float32), np.float32([0.0, 100.0]), shape)
    assert np.diff(columns, axis=1) == pytest.approx(np.repeat([[2.0], [1.0]], 400, axis=1), abs=1e-3)
    assert columns[0, 200] == columns[1, 200]
    assert columns[0, 0] == 0
    assert columns[0, -1] < view.surface(shape)[1]
    half, _ = View(0.5, 2.0, spread=0.5).place(np.arange(401, dtype=np.float32), np.float32([0.0]), shape)
    assert np.diff(half[0]) == pytest.approx(math.sqrt(2), abs=1e-3)


def test_things_are_smaller_further_up():
    # The mean length of a gradient goes as 1/scale: 0.5 above, 2 below is four times.
    ratios = []
    for seed in range(6):
        spectrum = Spectrum(2.0, 24.0, 4.0)
        field = bent_field((240, 320), spectrum, np.random.default_rng(seed), bend_px=100.0, view=View(0.5, 2.0))
        steps = np.abs(np.diff(field, axis=1)).mean(axis=1)
        ratios.append(steps[:40].mean() / steps[-40:].mean())
    assert 2.0 < np.median(ratios) < 4.0


def test_joints_run_as_told_and_cover_little():
    cover = cracked((600, 800), [Joints(30.0, 60.0, 2.0)], np.random.default_rng(4)).cover
    assert cover.dtype == np.uint8
    assert set(np.unique(cover)[[0, -1]]) == {0, 255}
    # One crack in 60 samples and a third as many forks, two to three samples wide as drawn.
    assert 0.01 < cover.mean() / 255 < 0.07
    # Across the cracks the picture changes most: counter-clockwise 30° + 90° of the x axis, y running down.
    dy, dx = np.gradient(cover.astype(float))
    across = 0.5 * math.degrees(math.atan2(2 * (dx * dy).sum(), (dx * dx - dy * dy).sum()))
    assert (-across) % 180 == pytest.approx(120, abs=12)


def test_wider_joints_cover_more_and_other_seeds_others():
    def drawn(width, seed):
        return cracked((400, 500), [Joints(80.0, 80.0, width)], np.random.default_rng(seed)).cover / 255

    # Their openings differ by two thirds of two samples on average, and each is drawn one wider.
    assert 1.25 < drawn(4.0, 1).sum() / drawn(2.0, 1).sum() < 2.0
    assert not np.array_equal(drawn(2.0, 1), drawn(2.0, 2))
    assert np.array_equal(drawn(2.0, 1), drawn(2.0, 1))
