"""Exact coverage of polygons: areas and first moments known by elementary geometry."""

import math

import numpy as np
import pytest

from moteyard.generators.canvas import Canvas
from moteyard.generators.outline import area, band, blob, longest, turned

CANVAS = Canvas(31, 41, 3, 6.0, (0.3, -0.2))
RECTANGLE = np.array([[-50.3, -5.1], [60.2, -5.1], [60.2, 7.7], [-50.3, 7.7]])


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 90.0, 211.0])
def test_area_and_centre_of_a_turned_rectangle(angle):
    corners = turned(RECTANGLE, angle)
    cover = CANVAS.coverage(corners)
    assert cover.sum() * CANVAS.pitch_um**2 == pytest.approx(110.5 * 12.8, rel=1e-12)
    for axis, middle in ((CANVAS.x_um, 0), (CANVAS.y_um, 1)):
        # A polygon cut by squares keeps its centre only to the second order of the square.
        assert (cover * axis).sum() / cover.sum() == pytest.approx(corners[:, middle].mean(), abs=0.04)


def test_a_rectangle_on_the_grid_is_exact_in_every_sample():
    canvas = Canvas(5, 7, 1, 1.0)
    cover = canvas.coverage(np.array([[-2.5, -1.25], [0.75, -1.25], [0.75, 1.5], [-2.5, 1.5]]))
    down, across = np.array([0, 0.75, 1, 1, 0]), np.array([0, 1, 1, 1, 0.25, 0, 0])
    assert cover == pytest.approx(np.outer(down, across))


def test_direction_does_not_matter_and_a_hole_is_a_hole():
    circle = blob(80.0, aspect=1, roughness=0, angle_deg=0, rng=np.random.default_rng(0))
    assert CANVAS.coverage(circle) == pytest.approx(CANVAS.coverage(circle[::-1]), abs=1e-12)
    holed = CANVAS.coverage(circle, circle[::-1] / 2)
    assert holed.sum() * 4 == pytest.approx(0.75 * math.pi * 1600, rel=1e-9)
    assert holed[holed.shape[0] // 2, holed.shape[1] // 2] == pytest.approx(0, abs=1e-12)


def test_coverage_against_counting_points():
    outline = blob(60.0, aspect=1.6, roughness=0.2, angle_deg=30, rng=np.random.default_rng(5))
    fine = Canvas(31, 41, 15, 6.0, (0.3, -0.2))
    x, y = np.broadcast_arrays(fine.x_um, fine.y_um)
    inside = np.zeros(fine.shape, dtype=bool)
    for (ax, ay), (bx, by) in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        crosses = (ay > y) != (by > y)
        with np.errstate(divide="ignore", invalid="ignore"):
            inside ^= crosses & (x < (bx - ax) * (y - ay) / (by - ay) + ax)
    counted = inside.reshape(93, 5, 123, 5).mean(axis=(1, 3))
    assert np.abs(CANVAS.coverage(outline) - counted).max() < 0.13


def test_an_outline_must_stay_inside():
    with pytest.raises(ValueError, match="beyond its canvas"):
        CANVAS.coverage(3 * RECTANGLE)


def test_a_canvas_is_odd():
    with pytest.raises(ValueError, match="odd number of pixels and of samples a pixel, not 30×41 and 3"):
        Canvas(30, 41, 3, 6.0)


def test_outlines():
    grain = blob(40.0, aspect=2, roughness=0.1, angle_deg=20, rng=np.random.default_rng(1))
    assert area(grain) == pytest.approx(math.pi * 400)
    strip = band(np.column_stack([np.linspace(-50, 50, 11), np.zeros(11)]), 6.0)
    assert area(strip) == pytest.approx(600)
    assert longest(strip) == pytest.approx(math.hypot(100, 6))
