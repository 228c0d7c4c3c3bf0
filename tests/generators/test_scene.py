"""Scenes: written down, rendered the same anywhere, labelled truly."""

import dataclasses
import subprocess
import sys

import numpy as np
import pytest

from moteyard.generators.camera import Camera
from moteyard.generators.contamination import read_state
from moteyard.generators.distractors import Distractors
from moteyard.generators.fibre import Fibre
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.scene import Scene, render, scene_seed
from moteyard.generators.shade import shade

CAMERA = Camera(width_px=320, height_px=240)


def scene(background="sky", **fields):
    base = Scene(
        name="one",
        background=background,
        camera=CAMERA,
        optics=Optics(f_number=16),
        population=Population(mean_count=6, smallest_um=20),
        seed=scene_seed(3, "develop", "one"),
        block="one",
    )
    return dataclasses.replace(base, **fields)


def test_json_round_trip():
    original = scene("snow", options=(("kind", "drifts"),))
    assert Scene.from_json(original.to_json()) == original
    assert Scene.from_json(original.to_json()).digest == original.digest


def test_another_number_is_another_digest():
    assert scene().digest != scene(optics=Optics(f_number=11)).digest


@pytest.mark.parametrize("background", ["sky", "snow", "scrub", "screen"])
def test_the_same_scene_is_the_same_bits_in_another_process(background):
    here = render(scene(background))
    code = (
        "import sys; from moteyard.generators.scene import Scene, render; "
        "print(render(Scene.from_json(sys.stdin.read())).digest)"
    )
    there = subprocess.run(
        [sys.executable, "-c", code], input=scene(background).to_json(), text=True, capture_output=True, check=True
    )
    assert there.stdout.strip() == here.digest
    assert render(scene(background, seed=scene_seed(3, "develop", "two"))).digest != here.digest


def test_seeds_depend_on_every_word_and_on_nothing_else():
    assert scene_seed(1, "report", "sky", "0") == scene_seed(1, "report", "sky", "0")
    words = [(1, "report", "sky", "0"), (1, "report", "sky", "1"), (2, "report", "sky", "0"), (1, "train", "sky", "0")]
    assert len({scene_seed(*some) for some in words}) == 4
    with pytest.raises(ValueError, match="unknown seed namespace 'test'; known are train, develop, report"):
        scene_seed(1, "test", "sky")


def test_truth_lies_where_the_light_was_taken():
    # A plain screen without noise worth the name: the darkest place about each label is the label.
    quiet = dataclasses.replace(CAMERA, full_well_e=1e7, read_noise_e=0, bits=16, encoding="linear", adc_bits=16)
    frame = render(scene("screen", camera=quiet, population=Population(mean_count=5, smallest_um=30)))
    ratio = (frame.pixels / 65535.0)[..., 1] / np.maximum(frame.clean[..., 1], 1e-6)
    assert len(frame.truth) > 0
    for x, y, depth in zip(frame.truth.x, frame.truth.y, frame.truth.depth, strict=True):
        row, column = round(y), round(x)
        assert 1 - ratio[row, column] == pytest.approx(depth, abs=0.06)


def test_labels_stay_inside_the_frame_and_are_read_only():
    frame = render(scene(population=Population(mean_count=40)))
    assert ((frame.truth.x >= -0.5) & (frame.truth.x < 319.5)).all()
    assert ((frame.truth.y >= -0.5) & (frame.truth.y < 239.5)).all()
    with pytest.raises(ValueError, match="read-only"):
        frame.truth.x[0] = 1
    with pytest.raises(ValueError, match="read-only"):
        frame.pixels[0, 0] = 1


def test_a_smaller_aperture_deepens_the_same_dust():
    dust = Population(mean_count=8, smallest_um=25, largest_um=60)
    wide, small = (render(scene(optics=Optics(f_number=n), population=dust)) for n in (8, 22))
    assert len(wide.truth) == len(small.truth)
    assert (small.truth.depth > wide.truth.depth).all()
    assert (small.truth.fwhm_px < wide.truth.fwhm_px).all()


def test_the_exit_pupil_moves_shadows_outward():
    near, far = (render(scene(optics=Optics(f_number=16, exit_pupil_mm=pupil))) for pupil in (20, 1000))
    middle = np.array([159.5, 119.5])
    radius = [np.hypot(*(np.column_stack([f.truth.x, f.truth.y]) - middle).T) for f in (near, far)]
    shared = min(map(len, radius))
    assert shared > 0
    assert radius[0][0] / radius[1][0] == pytest.approx((1 - 1 / 1000) / (1 - 1 / 20), rel=1e-6)


def test_a_clean_filter_gives_an_empty_truth():
    frame = render(scene(population=Population(mean_count=0)))
    assert len(frame.truth) == 0
    assert frame.truth.x.shape == (0,)


def test_detectability_falls_from_sky_to_scrub():
    dust = Population(mean_count=8, smallest_um=20, largest_um=40)
    median = {b: np.median(render(scene(b, population=dust)).truth.detectability) for b in ("screen", "snow", "scrub")}
    assert median["screen"] > median["snow"] > median["scrub"]


def test_a_scene_keeps_a_named_state_with_all_its_numbers():
    states = [read_state("field-day"), read_state("field-day", {"fibre": {"mean_count": 9}})]
    scenes = [scene(population=state) for state in states]
    assert [Scene.from_json(one.to_json()) for one in scenes] == scenes
    assert scenes[0].digest != scenes[1].digest


def test_the_labels_of_a_mixed_filter():
    oily = {"mean_count": 8, "radius_um": [30, 45], "contact_angle_deg": [2, 6]}
    state = read_state("after-wet-clean", {"droplet": oily})
    frame = render(scene("screen", population=state, camera=Camera(width_px=640, height_px=480)))
    truth = frame.truth
    assert {"ring", "droplet"} <= set(truth.kind)
    assert (truth.extent_px >= truth.fwhm_px).all()
    assert truth.identity.tolist() == sorted(set(truth.identity.tolist()))
    rings, drops = truth.kind == "ring", truth.kind == "droplet"
    assert (truth.extent_px[rings] > 3 * truth.fwhm_px[rings]).all()
    assert truth.gain[drops].min() > 0.3 > truth.gain[rings].max()
    assert np.abs(truth.loss_px2[drops]).max() < 1e-2 < truth.loss_px2[rings].min()
    # Place on the filter to place on the sensor, by the pinhole of the exit pupil.
    assert truth.x == pytest.approx(truth.x_mm / 0.006 / (1 - 1 / 60) + 319.5)


def test_an_oblong_stamp_is_cut_at_the_frames_rim():
    light = np.ones((60, 80, 3), np.float32)
    cast_shadow = Fibre(0, 0, 15, 900).shadow(Optics(f_number=16), x=70.0, y=30.0)
    shade(light, cast_shadow)
    whole = np.ones((200, 400, 3), np.float32)
    shade(whole, dataclasses.replace(cast_shadow, row=100, column=200))
    assert np.array_equal(light, whole[70:130, 130:210])


def test_the_footprint_of_lines():
    state = read_state("after-wet-clean", {"fibre": {"mean_count": 4}})
    frame = render(scene("screen", population=state, camera=Camera(width_px=480, height_px=360)))
    owners = set(np.unique(frame.footprint).tolist()) - {-1}
    assert {str(frame.truth.kind[owner]) for owner in owners} == {"fibre", "ring"}
    for owner in owners:
        rows, columns = np.nonzero(frame.footprint == owner)
        reach = np.hypot(columns - frame.truth.x[owner], rows - frame.truth.y[owner]).max()
        # Nothing lies further from the middle than half the diagonal of its box, and its blur.
        half = np.hypot(frame.truth.half_width_px[owner], frame.truth.half_height_px[owner])
        assert reach < half + frame.truth.fwhm_px[owner]
        if frame.truth.kind[owner] == "ring":
            assert frame.footprint[round(frame.truth.y[owner]), round(frame.truth.x[owner])] != owner


def test_distractors_are_drawn_and_labelled_and_are_no_dust():
    plain = render(scene("sky"))
    busy = render(scene("sky", distractors=Distractors(birds=3, discs=2, hot_pixels=4)))
    kinds = {each.kind for each in busy.distractors}
    assert kinds >= {"bird", "hot pixel"}
    assert plain.distractors == ()
    assert busy.truth.x.tolist() == plain.truth.x.tolist()
    for hot in (each for each in busy.distractors if each.kind == "hot pixel"):
        row, column = round(hot.y), round(hot.x)
        before = int(plain.pixels[row, column, hot.channel])
        assert int(busy.pixels[row, column, hot.channel]) > before or before > 250
    assert np.abs(busy.clean - plain.clean).max() > 0.1


def test_a_hot_photosite_under_a_mosaic_is_hot_whatever_its_colour():
    raw = dataclasses.replace(CAMERA, demosaic="bilinear", bits=16, encoding="linear", full_well_e=1e6)
    cold, hot = (render(scene("screen", camera=raw, distractors=Distractors(hot_pixels=mean))) for mean in (0.0, 6.0))
    spots = [each for each in hot.distractors if each.kind == "hot pixel"]
    assert spots
    for spot in spots:
        near = (
            slice(max(0, round(spot.y) - 1), round(spot.y) + 2),
            slice(max(0, round(spot.x) - 1), round(spot.x) + 2),
        )
        gained = (hot.pixels[near].astype(int) - cold.pixels[near]).max() / 65535
        assert gained == pytest.approx(min(spot.own, 0.2), abs=0.01) or gained > 0.2


def test_marks_of_a_screen_are_labelled():
    marks = [each for each in render(scene("screen", options=(("marks", 20.0),))).distractors if each.kind == "mark"]
    assert len(marks) > 5


def test_labels_without_measuring_change_no_pixel():
    scene = Scene(
        name="a",
        background="sky",
        camera=Camera(width_px=200, height_px=150),
        population=Population(mean_count=6.0),
        seed=(1, 2),
    )
    full, quick = render(scene), render(scene, measured=False)
    assert full.digest == quick.digest
    np.testing.assert_array_equal(full.truth.depth, quick.truth.depth)
    assert np.isfinite(full.truth.detectability).all()
    assert np.isnan(quick.truth.detectability).all()
