"""Things that are not dust lie where their labels say and change with the aperture only as they should."""

import dataclasses
import math
import subprocess
import sys

import numpy as np
import pytest

from moteyard.generators.backgrounds import Screen
from moteyard.generators.distractors import Distractor, Distractors, pupil_cover, screen_marks
from moteyard.generators.optics import Optics
from moteyard.generators.silhouette import bird_outline, centroid, polygon_mask, pupil_outline

SHAPE = (300, 400)


def scattered(seed=1, f_number=11.0, **counts):
    return Distractors(**counts).scatter(SHAPE, Optics(f_number=f_number), np.random.default_rng(seed))


def centre_of(change):
    y, x = np.indices(change.shape)
    return (x * change).sum() / change.sum(), (y * change).sum() / change.sum()


def test_a_bird_is_drawn_where_its_label_says_and_in_its_own_light():
    for place in ((150.0, 120.0), (150.4, 119.7)):
        bird = Distractor("bird", *place, diameter_px=40.0, own=0.05, lift=0.4, angle_deg=25.0)
        light = np.full((*SHAPE, 3), 0.6, np.float32)
        bird.draw(light)
        # An outline half a fine sample too thick weighs more on the wings than on the body.
        assert centre_of(0.6 - light[..., 1]) == pytest.approx(place, abs=0.1)
        assert light.min() == pytest.approx(0.05, abs=0.08)
        # Sharp: out of the silhouette nothing, a wing's length beside it.
        assert np.ptp(light[:, :128]) < 1e-6


def test_a_disc_has_area_centre_and_depth_of_its_label():
    disc = Distractor("disc", 200.25, 150.5, diameter_px=60.0, cover=0.2, own=0.0, softness_px=3.0)
    light = np.ones((*SHAPE, 3), np.float32)
    disc.draw(light)
    loss = 1 - light[..., 0]
    assert loss.max() == pytest.approx(0.2, abs=1e-3)
    assert loss.sum() == pytest.approx(0.2 * math.pi * 30**2, rel=0.01)
    assert centre_of(loss) == pytest.approx((200.25, 150.5), abs=0.05)


def test_the_same_disc_is_bright_on_rock_and_dark_on_cloud():
    disc = Distractor("disc", 100.0, 100.0, diameter_px=30.0, cover=0.5, own=0.4)
    dark, bright = np.full((*SHAPE, 3), 0.05, np.float32), np.full((*SHAPE, 3), 0.8, np.float32)
    disc.draw(dark)
    disc.draw(bright)
    assert dark[100, 100, 0] == pytest.approx(0.225, abs=1e-3)
    assert bright[100, 100, 0] == pytest.approx(0.6, abs=1e-3)


def test_things_at_the_edge_are_cut_not_moved_round():
    light = np.ones((*SHAPE, 3), np.float32)
    Distractor("disc", 0.0, 150.0, diameter_px=40.0, own=0.0).draw(light)
    Distractor("disc", -200.0, -300.0, diameter_px=40.0, own=0.0).draw(light)  # wholly outside
    assert light[150, 0, 0] < 0.05
    np.testing.assert_array_equal(light[:, 60:], 1.0)
    assert (1 - light[..., 0]).sum() == pytest.approx(math.pi * 400 / 2 + 20, rel=0.02)  # half, and half a column


def test_birds_and_hot_pixels_do_not_know_the_aperture():
    assert scattered(birds=12, hot_pixels=9, f_number=4) == scattered(birds=12, hot_pixels=9, f_number=22)


def test_discs_and_dirt_shrink_and_deepen_with_the_aperture():
    wide, small = (scattered(discs=20, dirt=10, f_number=n) for n in (4.0, 8.0))
    assert len(wide) == len(small) > 15
    for one, other in zip(wide, small, strict=True):
        assert (one.kind, one.x, one.y) == (other.kind, other.x, other.y)
        # At f/8 the pupil is 35/8 = 4.4 mm, wider than most: (p/D)² grows fourfold, f·D/s halves.
        if other.cover < 1:
            assert other.cover == pytest.approx(4 * one.cover)
            assert other.diameter_px == pytest.approx(one.diameter_px / 2)


def test_a_millimetre_on_a_pupil_of_25_takes_a_sixth_of_a_per_cent():
    # Area ratio (1/25)² = 0.16 %. A 50 mm lens at f/2 has that pupil; 50 mm before it the disc is 25 mm wide.
    assert pupil_cover(1.0, 25.0) == pytest.approx(0.0016)
    wide = Distractors(dirt=40, focal_mm=50.0).scatter(SHAPE, Optics(f_number=2), np.random.default_rng(4))
    assert len(wide) > 20
    assert max(speck.cover for speck in wide) < (1.2 / 25) ** 2 * 1.001
    assert min(speck.diameter_px for speck in wide) > 300
    light = np.ones((*SHAPE, 3), np.float32)
    wide[0].draw(light)
    assert 1 - light.min() == pytest.approx(wide[0].cover, rel=0.02)
    assert np.abs(np.diff(light, axis=1)).max() < 1e-4  # no edge to be seen


def test_a_hot_pixel_is_one_pixel_of_one_colour_on_raw_values():
    (pixel, *_) = scattered(hot_pixels=5)
    assert pixel.on_raw
    raw = np.zeros((*SHAPE, 3), np.float32)
    pixel.draw(raw)
    assert np.count_nonzero(raw) == 1
    assert raw[int(pixel.y), int(pixel.x), pixel.channel] == np.float32(pixel.own) >= 0.02
    mosaic = np.zeros(SHAPE, np.float32)
    pixel.draw(mosaic)
    assert np.argwhere(mosaic).tolist() == [[pixel.y, pixel.x]]


def test_only_hot_pixels_belong_on_raw_values():
    kinds = {thing.kind: thing.on_raw for thing in scattered(birds=5, hot_pixels=5, dirt=5, discs=5)}
    assert kinds == {"bird": False, "disc": False, "dirt": False, "hot pixel": True}


def test_counts_are_poisson_and_none_is_none():
    counts = [len(scattered(seed, birds=6)) for seed in range(200)]
    assert np.mean(counts) == pytest.approx(6, abs=0.6)  # 3.5 standard errors of √(6/200)
    assert np.var(counts) == pytest.approx(6, rel=0.4)
    assert scattered() == ()


def test_marks_of_a_screen_are_reported_where_they_are():
    screen = Screen(marks=5.0)
    marked = screen.paint(SHAPE, np.random.default_rng(8))
    marks = screen_marks(screen, SHAPE, np.random.default_rng(8))
    assert len(marks) > 0
    before = marked.copy()
    for mark in marks:
        mark.draw(marked)
    np.testing.assert_array_equal(marked, before)
    assert {mark.kind for mark in marks} == {"mark"}
    dark = max(marks, key=lambda mark: mark.cover)
    # On a ground without other marks its darkest place is its label.
    only = dataclasses.replace(screen, marks=0.0)
    assert screen_marks(only, SHAPE, np.random.default_rng(8)) == ()
    strongest = max(screen.blemishes(SHAPE, np.random.default_rng(8)), key=lambda mark: mark.depth)
    canvas = np.zeros((150, 200), np.float32)
    strongest.add(canvas)
    row, column = np.unravel_index(canvas.argmin(), canvas.shape)
    assert (2 * column + 0.5, 2 * row + 0.5) == pytest.approx((dark.x, dark.y), abs=1.1)
    assert 1 - np.exp(canvas.min()) == pytest.approx(dark.cover, rel=0.01)


def test_the_centre_of_a_polygon_is_that_of_its_area():
    # A triangle's is the mean of its corners; an L of three unit squares has it at 5/6.
    assert centroid(np.array([[0.0, 0], [3, 0], [0, 3]])) == pytest.approx([1, 1])
    assert centroid(np.array([[0.0, 0], [2, 0], [2, 1], [1, 1], [1, 2], [0, 2]])) == pytest.approx([5 / 6, 5 / 6])


@pytest.mark.parametrize("blades", [0, 5, 7])
def test_pupils_of_any_shape_have_the_same_area(blades):
    mask = polygon_mask(pupil_outline(40.0, blades, 10.0), 50.3, 60.8)
    assert mask.cover.sum() == pytest.approx(math.pi * 400, rel=0.01)


def test_a_bird_is_as_wide_as_its_span():
    for angle in (0.0, 90.0):
        reach = np.ptp(bird_outline(30.0, 0.0, angle), axis=0)
        assert max(reach) == pytest.approx(30.0)


def test_another_process_scatters_the_same():
    code = (
        "import numpy as np\n"
        "from moteyard.generators.distractors import Distractors\n"
        "from moteyard.generators.optics import Optics\n"
        "many = Distractors(birds=4, hot_pixels=4, dirt=4, discs=4)\n"
        f"print(many.scatter({SHAPE}, Optics(f_number=11.0), np.random.default_rng(1)))\n"
    )
    there = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert there.stdout.strip() == str(scattered(birds=4, hot_pixels=4, dirt=4, discs=4))


def test_errors_name_the_field_and_the_kind():
    with pytest.raises(ValueError, match=r"Distractors.birds must be a number from 0 up, not -1"):
        Distractors(birds=-1)
    with pytest.raises(ValueError, match=r"Distractors.focal_mm must be a positive number, not 0"):
        Distractors(focal_mm=0)
    with pytest.raises(ValueError, match=r"unknown kind of distractor 'kite'; known are bird, hot pixel"):
        Distractor("kite", 0.0, 0.0, 1.0)
