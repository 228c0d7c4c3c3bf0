"""Test frames of known truth: what a survey says of them and of photographs by the same camera."""

import math

import numpy as np
import pytest

from moteyard.bench.handover import photograph
from moteyard.detectors.contract import Photograph
from moteyard.detectors.survey import (
    Dust,
    DustGrain,
    lens_evidence,
    lens_magnification,
    lens_ratio,
    lens_ratio_range,
    predict,
    remeasure,
    stacked,
    survey,
)
from moteyard.detectors.survey.distance import Distance
from moteyard.detectors.survey.shadow_fit import fit_radius, fit_shadow, opacity, patch_about
from moteyard.detectors.survey.tabled import light_stamp
from moteyard.generators.camera import Camera
from moteyard.generators.fibre import Fibre
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.roll import Exposure, Roll, render_exposure
from moteyard.generators.shade import shade
from moteyard.generators.shadow import LUMINANCE, cast, stamp
from moteyard.generators.transfer import encode

WIDTH, HEIGHT, DISTANCE_MM = 540, 400, 0.8


@pytest.fixture(scope="module")
def roll():
    """Two test frames, then two photographs of sky with another lens."""
    test = Exposure("screen", f_number=22.0, exit_pupil_mm=60.0, is_test_frame=True)
    sky = Exposure("sky", f_number=16.0, exit_pupil_mm=38.0)
    return Roll(
        "survey",
        (test, test, sky, sky),
        optics=Optics(filter_distance_mm=DISTANCE_MM),
        camera=Camera(width_px=WIDTH, height_px=HEIGHT, jpeg_quality=92),
        population=Population(mean_count=15, smallest_um=12),
        seed=(1, 7),
    )


@pytest.fixture(scope="module")
def frames(roll):
    return [render_exposure(roll, index) for index in range(4)]


@pytest.fixture(scope="module")
def dust(frames):
    return survey([photograph(frame) for frame in frames[:2]])


def nearest(dust, x, y):
    distance = np.hypot(dust.column("x") - x, dust.column("y") - y)
    return int(distance.argmin()), float(distance.min())


def one_grain(diameter_um=40.0, *, x=500.0, y=300.0, shape=(1000, 1400), optics=None):
    optics = optics or Optics(f_number=22.0, pixel_um=5.0)
    grain = DustGrain(x, y, diameter_um, 0.1, 0.5, 10.0, 50.0, (1.0, 1.0), 1.0)
    return Dust((grain,), Distance(optics.filter_distance_mm, 0.9, 1.1, 5), optics, shape, 0.0, ())


# Parting dust from the screen


def flat(height=160, width=240, *, level=0.5, seed=0):
    return level * (1 + 0.005 * np.random.default_rng(seed).standard_normal((height, width, 1)) * np.ones(3))


def frame_of(light):
    return Photograph(encode(light, bits=16, encoding="srgb"), f_number=22.0, pixel_um=6.0, is_test_frame=True)


def bump(x, y, depth, *, sigma=14.0, height=160, width=240):
    rows, columns = np.indices((height, width))
    return (1 - depth * np.exp(-0.5 * ((columns - x) ** 2 + (rows - y) ** 2) / sigma**2))[..., None]


def test_what_moves_is_taken_off_and_what_stays_is_left():
    stays = cast(40.0, Optics(f_number=22.0), x=60.0, y=80.0)
    lights = [flat(seed=n) * bump(150 + 40 * n, 80, 0.03) for n in (0, 1)]
    for light in lights:
        half = stays.transmission.shape[1] // 2
        light[80 - half : 81 + half, 60 - half : 61 + half] *= np.moveaxis(stays.transmission, 0, -1)
    stack = stacked([frame_of(light) for light in lights])
    assert stack.mean[80, 60] == pytest.approx(1 - stays.depth[half, half], abs=0.02)
    untouched = stacked([frame_of(lights[0])])
    for x in (150, 190):
        assert np.mean(stack.mean[76:85, x - 4 : x + 5]) == pytest.approx(1, abs=0.005)
    assert np.mean(untouched.mean[76:85, 146:155]) < 0.985
    assert stack.marked > 0.01
    assert math.isnan(untouched.marked)


def test_the_noise_of_a_pixel():
    # Luminance of three equal channels has the noise of one.
    assert stacked([frame_of(flat())]).noise == pytest.approx(0.005, rel=0.05)


def test_clipped_and_unlit_places_are_no_evidence():
    light = flat()
    light[:, :60] = 1.0
    light[:, 180:] = 0.01
    usable = stacked([frame_of(light)]).usable
    assert not usable[:, :40].any()
    assert not usable[:, 200:].any()
    assert usable[:, 90:150].all()


def test_a_grid_that_moves_with_the_screen_is_not_dust():
    columns = np.arange(240)
    lights = [flat(seed=n) * (1 + 0.02 * np.cos(2 * np.pi * (columns + 3 * n) / 7.3))[None, :, None] for n in (0, 1)]
    assert survey([frame_of(light) for light in lights], distance_mm=1.0).grains == ()


# Fitting


@pytest.mark.parametrize("diameter", [14.0, 45.0, 120.0])
@pytest.mark.parametrize("model_mm", [0.7, 2.0])
def test_an_exact_shadow_gives_its_grain_back(diameter, model_mm):
    optics = Optics(f_number=22.0, filter_distance_mm=model_mm)
    shadow = cast(diameter, optics, x=80.3, y=79.6)
    picture = np.ones((161, 161))
    half = shadow.depth.shape[0] // 2
    rows, columns = (slice(at - half, at + half + 1) for at in (shadow.row, shadow.column))
    picture[rows, columns] -= shadow.depth
    patch = patch_about(0.9 * picture, 81, 79, radius=fit_radius(diameter, optics))
    fit = fit_shadow(patch, optics, at=(81, 79), diameter_um=1.3 * diameter)
    assert (fit.x, fit.y) == pytest.approx((80.3, 79.6), abs=0.01)
    assert fit.diameter_um == pytest.approx(diameter, rel=0.003)
    assert opacity(patch, fit, optics)[0] == pytest.approx(0.9, abs=0.01)


def test_place_size_and_distance_of_a_rendered_filter(dust, frames):
    truth = frames[0].truth
    assert dust.distance.mm == pytest.approx(DISTANCE_MM, rel=0.03)
    assert dust.distance.low_mm < DISTANCE_MM < dust.distance.high_mm
    alone = 0
    for x, y, diameter in zip(truth.x, truth.y, truth.diameter_um, strict=True):
        if np.sort(np.hypot(truth.x - x, truth.y - y))[1] < 15:
            continue  # two shadows in one, as wide as both
        alone += 1
        number, far = nearest(dust, x, y)
        assert far < 0.5
        assert dust.grains[number].diameter_um == pytest.approx(diameter, rel=0.06)
    assert alone >= 8
    assert alone <= len(dust.grains) <= len(truth)


def test_a_survey_wants_one_size_and_one_aperture(frames):
    shots = [photograph(frame) for frame in frames]
    with pytest.raises(ValueError, match="one known f-number"):
        survey([shots[0], shots[2]])
    with pytest.raises(ValueError, match="at least one test frame"):
        stacked([])
    cut = Photograph(shots[0].pixels[:-8], f_number=22.0)
    with pytest.raises(ValueError, match="one size"):
        stacked([shots[0], cut])


def test_a_fibre_stays_but_is_no_grain():
    optics = Optics(f_number=22.0, filter_distance_mm=1.0)
    fibre = Fibre(0.0, 0.0, width_um=20.0, length_um=900.0).shadow(optics, x=150.0, y=100.0)
    lights = [flat(200, 300, seed=n).astype(np.float32) for n in (0, 1)]
    for light in lights:
        shade(light, fibre)
    dust = survey([frame_of(light) for light in lights], distance_mm=1.0)
    assert dust.odd
    for x, y in dust.odd:  # on its 900 µm, 75 pixels to each side
        assert abs(x - 150) < 85
        assert abs(y - 100) < 10
    assert dust.grains == ()


# Predicting


def test_a_shadow_moves_outwards_by_the_exit_pupil():
    # d·r/L = 1·20/60 = 0.333 mm = 66.7 pixels of 5 µm, in the exact form d·r/(L − d) = 67.8; the centre stays.
    m = lens_ratio(1.0, test_pupil_mm=1e12, pupil_mm=60.0)
    middle = ((6000 - 1) / 2, (9000 - 1) / 2)
    far = one_grain(x=middle[1] + 4000, y=middle[0], shape=(6000, 9000))
    (seen,) = predict(far, 22.0, magnification=m)
    assert (seen.x - far.grains[0].x, seen.y) == pytest.approx((4000 / 59, middle[0]))
    centre = one_grain(x=middle[1], y=middle[0], shape=(6000, 9000))
    (still,) = predict(centre, 22.0, magnification=m)
    assert (still.x, still.y) == pytest.approx((middle[1], middle[0]))


# Peak depths at d = 1 mm, 5 µm pixels, exact f-numbers, from the wave model's own check table.
@pytest.mark.parametrize(("f_number", "depth"), [(4, 0.0432), (8, 0.177), (11, 0.371), (16, 0.709), (22, 0.807)])
def test_depth_against_aperture(f_number, depth):
    (seen,) = predict(one_grain(50.0), f_number)
    assert seen.shadow.peak_depth == pytest.approx(depth, rel=0.03)


def test_a_smaller_copy_of_the_photograph():
    (whole,), (half,) = (predict(one_grain(), 11.0, shape=shape) for shape in ((1000, 1400), (500, 700)))
    assert half.x == pytest.approx((whole.x - 0.5) / 2)
    assert half.shadow.fwhm_px == pytest.approx(whole.shadow.fwhm_px / 2, rel=0.05)
    with pytest.raises(ValueError, match="cropped or turned"):
        predict(one_grain(), 11.0, shape=(1000, 1000))


def test_photographs_by_another_lens(dust, frames, roll):
    shots = [photograph(frame) for frame in frames[2:]]
    found = lens_magnification([(shot, predict(dust, shot.f_number)) for shot in shots])
    true = lens_ratio(DISTANCE_MM, test_pupil_mm=60.0, pupil_mm=38.0)
    assert found == pytest.approx(true, abs=0.003)
    told = lens_ratio_range([(shot, predict(dust, shot.f_number)) for shot in shots])
    assert told.is_told
    assert told.ratio == found
    assert told.low < true < told.high
    assert told.high - told.low < 0.004
    depths = []
    for frame, shot in zip(frames[2:], shots, strict=True):
        predictions = predict(dust, shot.f_number, magnification=found)
        measured = remeasure(shot, predictions)
        for number, seen in enumerate(predictions):
            far = np.hypot(frame.truth.x - seen.x, frame.truth.y - seen.y)
            true = frame.truth.depth[far.argmin()]
            assert far.min() < 2
            assert seen.shadow.peak_depth == pytest.approx(true, rel=0.15)
            if measured.expected[number] > 15:
                depths.append(measured.depth[number] / true)
    assert len(depths) >= 5
    assert np.max(np.abs(np.array(depths) - 1)) < 0.2
    assert abs(np.median(depths) - 1) < 0.05


def test_a_few_small_grains_in_scrub_do_not_tell_the_lens():
    test = Exposure("screen", f_number=22.0, exit_pupil_mm=60.0, is_test_frame=True)
    scrub = Exposure("scrub", f_number=8.0, exit_pupil_mm=38.0)
    roll = Roll(
        "scrub", (test, scrub), optics=Optics(), camera=Camera(width_px=WIDTH, height_px=HEIGHT),
        population=Population(mean_count=5, smallest_um=10, largest_um=25), seed=(4, 5),
    )  # fmt: skip
    frame, shot = (photograph(render_exposure(roll, index)) for index in range(2))
    found = lens_ratio_range([(shot, predict(survey([frame], distance_mm=1.0), 8.0))])
    assert not found.is_told
    assert found.low < lens_ratio(1.0, test_pupil_mm=60.0, pupil_mm=38.0) < found.high


def test_a_place_without_dust_measures_nothing():
    light = flat(300, 300)
    dust = one_grain(60.0, x=150.0, y=150.0, shape=(300, 300), optics=Optics(f_number=22.0))
    measured = remeasure(frame_of(light), predict(dust, 22.0))
    assert measured.measurable.all()
    assert abs(measured.factor[0]) < 0.05


def test_photographs_that_tell_nothing_leave_the_lens_alone():
    light = flat(300, 300)
    dust = one_grain(20.0, x=40.0, y=40.0, shape=(300, 300), optics=Optics(f_number=22.0))
    shot = frame_of(light)
    assert lens_magnification([(shot, predict(dust, 22.0))]) == 1.0
    untold = lens_ratio_range([(shot, ())])
    # 121 equally likely ratios, each for a step of 0.0005, reach to ±0.03025; 95 % of that.
    assert (untold.low, untold.high) == pytest.approx((1 - 0.95 * 0.03025, 1 + 0.95 * 0.03025))
    assert not untold.is_told
    assert untold.sentence.startswith("these photographs do not tell how much further out their lens puts shadows")
    assert not lens_evidence(shot, ()).any()


def test_tabled_shadows_are_the_exact_ones():
    optics = Optics(f_number=16.0, filter_distance_mm=0.8, pixel_um=4.0)
    for diameter in (4.0, 20.0, 90.0):
        exact = np.tensordot(LUMINANCE, stamp(diameter, optics, offset_px=(0.3, -0.2)), axes=1)
        tabled = light_stamp(diameter, optics, offset_px=(0.3, -0.2))
        half = min(len(exact), len(tabled)) // 2
        middles = [part[len(part) // 2 - half :][: 2 * half + 1] for part in (exact, tabled)]
        rows = [part[:, part.shape[1] // 2 - half :][:, : 2 * half + 1] for part in middles]
        assert np.abs(rows[0] - rows[1]).max() < 1e-3
