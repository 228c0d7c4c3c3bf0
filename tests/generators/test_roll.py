"""Rolls: one dusty filter, many exposures, each particle known through all of them."""

import dataclasses
import subprocess
import sys

import numpy as np
import pytest
from scipy import ndimage

from moteyard.generators.camera import Camera
from moteyard.generators.contamination import read_state
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.roll import Exposure, LensChange, Roll, filter_at, render_exposure, render_roll
from moteyard.generators.roll_plan import RollPlan, make_roll
from moteyard.generators.scene import scene_seed

CAMERA = Camera(width_px=240, height_px=180)
DUST = Population(mean_count=12, smallest_um=20)


def roll(*exposures, **fields):
    exposures = exposures or (Exposure("sky"), Exposure("screen", f_number=22), Exposure("snow"))
    base = Roll("one", exposures, camera=CAMERA, population=DUST, seed=scene_seed(3, "develop", "roll", "one"))
    return dataclasses.replace(base, **fields)


def places(truth):
    return {int(i): (float(x), float(y)) for i, x, y in zip(truth.identity, truth.x, truth.y, strict=True)}


def test_each_exposure_alone_is_the_same_bits_as_in_the_roll():
    one = roll(changes=(LensChange(1, come=0.5),))
    for index, frame in enumerate(render_roll(one)):
        alone = render_exposure(one, index)
        assert alone.digest == frame.digest
        assert alone.truth.identity.tolist() == frame.truth.identity.tolist()


def test_the_same_bits_in_another_process_from_json():
    one = roll(population=read_state("field-day"), changes=(LensChange(2),))
    assert Roll.from_json(one.to_json()) == one
    code = (
        "import sys; from moteyard.generators.roll import Roll, render_exposure; "
        "print(render_exposure(Roll.from_json(sys.stdin.read()), 2).digest)"
    )
    there = subprocess.run(
        [sys.executable, "-c", code], input=one.to_json(), text=True, capture_output=True, check=True
    )
    assert there.stdout.strip() == render_exposure(one, 2).digest


def test_marks_of_a_screen_are_labelled_where_they_are():
    screen = Exposure("screen", (("marks", 10.0),), f_number=22)
    large = Camera(width_px=640, height_px=480)
    one = roll(screen, Exposure("sky"), screen, population=Population(mean_count=0.0), camera=large)
    first, sky, second = render_roll(one)
    assert sky.distractors == ()
    assert {mark.kind for mark in (*first.distractors, *second.distractors)} == {"mark"}

    def seen(frame, marks):
        # Beside wider surroundings, as the screen's shading is smooth.
        log = np.log(frame.clean[..., 1])
        darker = ndimage.gaussian_filter(log, 60) - ndimage.gaussian_filter(log, 4)
        return sum(darker[round(mark.y), round(mark.x)] for mark in marks) / sum(mark.cover for mark in marks)

    plain = [[m for m in frame.distractors if m.diameter_px < 80 and m.cover > 0.005] for frame in (first, second)]
    assert min(len(marks) for marks in plain) >= 2
    assert seen(first, plain[0]) > 0.4
    assert seen(second, plain[1]) > 0.4
    assert seen(first, plain[1]) < 0.2


def test_dust_stays_while_ground_aperture_and_marks_change():
    frames = list(render_roll(roll(Exposure("screen", f_number=22), Exposure("screen", f_number=22), Exposure("sky"))))
    assert places(frames[0].truth) == places(frames[1].truth) == places(frames[2].truth)
    # The screen's own marks are others in each frame.
    assert not np.array_equal(frames[0].clean, frames[1].clean)
    deeper = frames[0].truth.depth > frames[2].truth.depth
    assert deeper.mean() > 0.9


def test_another_exit_pupil_moves_shadows_radially_as_predicted():
    near, far = render_roll(roll(Exposure("screen", exit_pupil_mm=30), Exposure("screen", exit_pupil_mm=100)))
    a, b = places(near.truth), places(far.truth)
    middle = np.array([(CAMERA.width_px - 1) / 2, (CAMERA.height_px - 1) / 2])
    shared = sorted(a.keys() & b.keys())
    assert len(shared) > 5
    first = np.array([a[i] for i in shared]) - middle
    second = np.array([b[i] for i in shared]) - middle
    # x = x₀/(1 − d/L) with d = 1 mm: the ratio of the two lenses, for every grain and both ways.
    assert first == pytest.approx(second * (1 - 1 / 100) / (1 - 1 / 30), rel=1e-12)
    assert near.truth.x_mm[0] == far.truth.x_mm[far.truth.identity.tolist().index(int(near.truth.identity[0]))]


def test_the_shift_of_a_large_frame():
    # d 1 mm, L 60 mm, 20 mm off axis: d·r/L = 0.33 mm; exactly 20/59 mm = 67.8 pixels of 5 µm.
    optics = Optics(exit_pupil_mm=60, pixel_um=5)
    assert 20 * (optics.magnification - 1) / 0.005 == pytest.approx(67.8, abs=0.01)


def test_lens_changes_move_take_and_bring_dust():
    many = Population(mean_count=1500, smallest_um=20)
    change = LensChange(1, gone=0.2, moved=0.3, come=0.1, shift_mm=0.5)
    one = roll(population=many, changes=(change,))
    before, after = ({p.identity: p.particle for p in filter_at(one, index)} for index in (0, 1))
    assert filter_at(one, 2) == filter_at(one, 1)
    kept = before.keys() & after.keys()
    moved = [i for i in kept if before[i] != after[i]]
    assert 1 - len(kept) / len(before) == pytest.approx(0.2, abs=0.04)
    assert len(moved) / len(before) == pytest.approx(0.3, abs=0.05)
    assert len(after.keys() - kept) == pytest.approx(150, abs=50)
    assert min(after.keys() - kept) > max(before)
    # A moved grain keeps its number and its size; the mean of an exponential distance is its scale.
    assert all(before[i].diameter_um == after[i].diameter_um for i in moved)
    jumps = [np.hypot(before[i].x_mm - after[i].x_mm, before[i].y_mm - after[i].y_mm) for i in moved]
    assert np.mean(jumps) == pytest.approx(0.5, rel=0.2)


def test_truth_holds_only_what_is_inside_the_frame():
    one = roll(population=Population(mean_count=60), changes=(LensChange(1, gone=0, moved=1, come=0, shift_mm=2),))
    lying, seen = filter_at(one, 1), render_exposure(one, 1).truth
    assert 0 < len(seen) < len(lying)
    assert set(seen.identity.tolist()) <= {placed.identity for placed in lying}
    assert ((seen.x >= -0.5) & (seen.x < CAMERA.width_px - 0.5)).all()


def test_light_scales_the_scene_and_not_the_shadows():
    full, half = (render_exposure(roll(Exposure("screen", light=light)), 0) for light in (1, 0.5))
    assert np.array_equal(half.clean, full.clean / 2)
    assert half.truth.depth.tolist() == full.truth.depth.tolist()


def test_frames_are_rendered_only_when_asked_for():
    frames = render_roll(roll(Exposure("screen"), Exposure("photograph", (("folder", "/nowhere"),))))
    next(frames)
    with pytest.raises((ValueError, OSError), match="nowhere"):
        next(frames)


def test_plans():
    plan = RollPlan(exposures=6, test_frames=2, lens_changes=2, camera=CAMERA, population=DUST)
    one = make_roll(plan, "a", entropy=5)
    assert make_roll(plan, "a", entropy=5) == one
    assert make_roll(plan, "b", entropy=5) != one
    assert len(one) == 8
    assert [e.is_test_frame for e in one.exposures] == [False] * 6 + [True] * 2
    assert [e.exit_pupil_mm for e in one.exposures] == [60, 60, 95, 95, 45, 45, 45, 45]
    assert all(e.f_number == 22 and e.background == "screen" for e in one.exposures[6:])
    assert {e.background for e in one.exposures[:6]} <= {"sky", "snow", "scrub"}
    assert len({e.background for e in make_roll(RollPlan(exposures=40), "c", entropy=5).exposures}) == 4
    scrub = make_roll(RollPlan(theme="scrub", test_frames=0), "a", entropy=5)
    assert {e.background for e in scrub.exposures} == {"scrub"}
    assert one.seed[0] == 1
    assert make_roll(plan, "a", entropy=5, namespace="report").seed[0] == 2


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: roll(changes=(LensChange(3),)), "lens changes in rising order between exposures 1 and 2"),
        (lambda: roll(changes=(LensChange(2), LensChange(1))), r"not before \[2, 1\]"),
        (lambda: Roll("empty", ()), "roll 'empty' needs at least one exposure"),
        (lambda: Exposure("sky", light=0), "Exposure.light must be a positive number, not 0"),
        (lambda: LensChange(1, gone=0.7, moved=0.7), "gone and moved of 0 to 1 in all"),
        (lambda: LensChange(1, come=2), "LensChange.come must be from 0 to 1, not 2"),
        (lambda: RollPlan(theme="scrubb"), "unknown theme 'scrubb'; did you mean 'scrub'"),
        (lambda: RollPlan(exposures=0), "at least 1 exposure"),
        (lambda: RollPlan(lens_changes=12), "lens_changes must be from 0 to exposures − 1, not 12"),
    ],
)
def test_impossible_rolls_are_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make()


def test_an_exposure_beyond_the_roll():
    with pytest.raises(IndexError, match="has exposures 0 to 2, not 3"):
        render_exposure(roll(), 3)
