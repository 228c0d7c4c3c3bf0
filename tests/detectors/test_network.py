"""The learned detector: what it is shown, that strips and runtimes make no difference, and what its card says."""

import dataclasses
import hashlib
import json
import math
from importlib import resources

import numpy as np
import pytest

from moteyard.bench.errors import YardError
from moteyard.bench.handover import photograph
from moteyard.bench.judge import frame_row, judge, seat_of
from moteyard.bench.learned import learned_from, refuse_what_was_taught
from moteyard.bench.training.example import UNKNOWN_ONE_IN, mistaken, of_scene
from moteyard.bench.training.recipe import Recipe
from moteyard.bench.visibility import Viewing
from moteyard.detectors.contract import Photograph, SingleFrame, Spots
from moteyard.detectors.network import runtime, together
from moteyard.detectors.network.detector import INTEGERS, SINGLE, NetworkDetector
from moteyard.detectors.network.features import View, features, view_at, views
from moteyard.detectors.network.target import (
    CENTRE,
    DOWN,
    HARD,
    HEAT,
    RIGHT,
    SIZE,
    WEIGHT,
    Centres,
    from_cells,
    target,
    to_cells,
)
from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.scene import Scene, render, scene_seed

FILES = resources.files("moteyard.detectors.network")


def weights():
    return FILES.joinpath("network.onnx").read_bytes()


def scene(background="sky", *, namespace="develop", number=0, mean_count=12.0, **camera):
    return Scene(
        name=f"{background}/{number}",
        background=background,
        optics=Optics(f_number=16),
        camera=Camera(width_px=600, height_px=400, **camera),
        population=Population(smallest_um=40.0, mean_count=mean_count),
        seed=scene_seed(7, namespace, f"network/{background}/{number}"),
    )


def linear(light):
    """A 16-bit linear photograph of light (h, w) in 0…1, grey."""
    codes = np.rint(np.clip(light, 0, 1) * 65535).astype(np.uint16)
    return Photograph(np.repeat(codes[..., None], 3, axis=2), f_number=16, pixel_um=6.0, encoding="linear")


class TestWhatItIsShown:
    def test_an_even_picture_has_no_contrast(self):
        shown = features(linear(np.full((64, 96), 0.3)), View(step=1, pupil_px=8.0))
        assert shown.shape == (9, 32, 48)
        np.testing.assert_allclose(shown[:6], 0, atol=1e-3)
        np.testing.assert_allclose(shown[6], 2 * math.sqrt(0.3) - 1, atol=1e-3)
        assert shown[7].max() == 0.0  # log2(8/8)
        assert shown[8].min() == 1.0

    def test_a_small_dark_place_shows_its_depth(self):
        light = np.full((800, 800), 0.3)
        light[396:404, 396:404] *= 0.95
        shown = features(linear(light), View(step=1, pupil_px=8.0))
        # The surround's mean holds the place itself, 64 of (17·4)² pixels, hence the tolerance.
        assert shown[0, 199, 199] == pytest.approx(math.asinh(20 * math.log(0.95)), rel=0.02)

    @pytest.mark.parametrize("factor", [0.25, 0.5])
    def test_exposure_changes_brightness_only(self, factor):
        light = 0.5 + 0.1 * np.random.default_rng(1).random((64, 64))
        full, less = (features(linear(each), View(step=1, pupil_px=8.0)) for each in (light, light * factor))
        np.testing.assert_allclose(less[:6], full[:6], atol=5e-3)
        assert np.all(less[6] < full[6])

    @pytest.mark.parametrize(("f_number", "step"), [(22, 1), (16, 1), (11, 2), (8, 2), (5.6, 4), (2.8, 8)])
    def test_the_pupil_sets_the_scale(self, f_number, step):
        # Pupil disk d/N = 1 mm / N at 6 µm: 7.4, 10.4, 14.7, 20.8, 29.5, 58.9 pixels, brought to 6…12 by halving.
        assert view_at(f_number, 6.0).step == step

    def test_no_f_number_is_two_looks(self):
        shot = dataclasses.replace(linear(np.full((64, 64), 0.3)), f_number=None)
        assert [view.step for view in views(shot)] == [1, 2]
        assert features(shot, views(shot)[0])[8].max() == 0.0

    def test_strips_of_light_make_no_difference(self):
        shot = linear(np.random.default_rng(2).random((300, 200)))
        whole, strips = (features(shot, View(step=2, pupil_px=8.0), strip=strip) for strip in (4096, 64))
        np.testing.assert_array_equal(whole, strips)


class TestWhatItIsToAnswer:
    def test_places_in_cells(self):
        # Cells of 8 pixels: cell 0 holds pixels 0…7, whose middle is 3.5.
        view = View(step=2, pupil_px=8.0)
        np.testing.assert_allclose(to_cells(np.array([3.5, 11.5, 7.5]), view), [0, 1, 0.5])
        np.testing.assert_allclose(from_cells(np.array([0, 1, 0.5]), view), [3.5, 11.5, 7.5])

    def test_a_centre_and_one_that_nobody_sees(self):
        centres = Centres(
            x=np.array([42.5, 81.5]),
            y=np.array([21.5, 81.5]),
            fwhm_px=np.array([16.0, 10.0]),
            counted=np.array([True, False]),
        )
        planes = target(centres, View(step=1, pupil_px=8.0), (30, 30))
        # (42.5 − 1.5)/4 = 10.25 and (21.5 − 1.5)/4 = 5 cells; a width of 16 is one octave over 8.
        assert planes[CENTRE].sum() == 1
        assert planes[[HEAT, SIZE, DOWN, RIGHT, WEIGHT, CENTRE], 5, 10] == pytest.approx([1, 1, 0, 0.25, 1, 1])
        assert planes[HEAT, 5, 11] == pytest.approx(math.exp(-(0.75**2) / (2 * 0.7**2)))
        assert planes[WEIGHT, 20, 20] == 0
        assert planes[WEIGHT, 10, 20] == 1

    def test_only_train_seeds_are_learned_from(self):
        with pytest.raises(YardError, match="not of the train seeds"):
            of_scene(scene(namespace="report"))

    def test_recipe_and_example_are_the_same_again(self):
        recipe = Recipe(width_px=320, height_px=240)
        assert recipe.scene(3) == recipe.scene(3) != recipe.scene(4)
        assert all(recipe.scene(number).seed[0] == 0 for number in range(20))
        first, again = (of_scene(recipe.scene(3)) for _ in range(2))
        np.testing.assert_array_equal(first.shown, again.shown)
        assert first.wanted.shape[1] * 2 == first.shown.shape[1]

    def test_a_held_out_ground_is_never_drawn(self):
        recipe = Recipe(held_out=("snow",))
        assert sum(recipe.grounds().values()) == pytest.approx(1)
        assert {recipe.scene(number).background for number in range(60)}.isdisjoint({"snow", "photograph"})
        assert UNKNOWN_ONE_IN > 1


@pytest.fixture(scope="module")
def shown():
    shot = Photograph(render(scene("snow", jpeg_quality=90)).pixels, f_number=16, pixel_um=6.0)
    return features(shot, views(shot)[0])


class TestHardNegatives:
    def test_a_mistaken_place_counts_more_and_a_line_not_at_all(self):
        nothing = np.empty(0)
        centres = Centres(
            x=nothing, y=nothing, fwhm_px=nothing, counted=nothing.astype(bool), mistaken=np.array([[17.5, 41.5]])
        )
        ignored = np.zeros((80, 80), dtype=bool)
        ignored[44, 20] = True
        weight = target(centres, View(step=1, pupil_px=8.0), (20, 20), ignored=ignored)[WEIGHT]
        assert weight[10, 4] == HARD  # (17.5 − 1.5) / 4 and (41.5 − 1.5) / 4
        assert (weight == HARD).sum() == 8
        assert weight[11, 5] == 0.0
        assert (weight == 1.0).sum() == 400 - 9

    def test_what_another_method_takes_for_dust_and_never_a_shadow(self):
        class Sees(SingleFrame):
            name, version = "sees", "1"

            def detect_one(self, photograph):
                return Spots(np.array([10.0, 50.0, 90.0]), np.full(3, 20.0), np.full(3, 8), np.array([1.0, 3.0, 2.0]))

        centres = Centres(x=np.array([52.0]), y=np.array([20.0]), fwhm_px=np.array([6.0]), counted=np.array([False]))
        shot = Photograph(np.zeros((100, 100, 3), dtype=np.uint8))
        assert mistaken(shot, centres, by=Sees()).tolist() == [[90.0, 20.0], [10.0, 20.0]]

    def test_a_training_frame_holds_them(self):
        taught = of_scene(scene("scrub", namespace="train"))
        assert (taught.wanted[WEIGHT] == HARD).sum() > 50


class TestHowItRuns:
    def test_strips_make_no_difference(self, shown):
        forward = runtime.by_opencv(weights())
        whole = runtime.answers(shown, forward, strip=4096)
        assert whole.shape == (4, shown.shape[1] // 2, shown.shape[2] // 2)
        for strip in (32, 64):
            np.testing.assert_allclose(runtime.answers(shown, forward, strip=strip), whole, atol=2e-4)

    def test_a_margin_too_narrow_would_show(self, shown, monkeypatch):
        monkeypatch.setattr(runtime, "REACH", 4)
        forward = runtime.by_opencv(weights())
        whole = runtime.answers(shown, forward, strip=4096)
        assert np.abs(runtime.answers(shown, forward, strip=32) - whole).max() > 0.01

    def test_both_runtimes_agree(self, shown):
        pytest.importorskip("onnxruntime")
        one, other = (runtime.answers(shown, make(weights())) for make in (runtime.by_opencv, runtime.by_onnxruntime))
        np.testing.assert_allclose(one, other, atol=1e-3)

    def test_integers_answer_as_single_precision_does(self):
        pytest.importorskip("onnxruntime")
        frame = render(scene("snow"), measured=False)
        shot = photograph(frame)
        (view,) = views(shot)
        shown = features(shot, view)
        whole, rounded = (runtime.answers(shown, runtime.by_onnxruntime(file.read()))[0] for file in (SINGLE, INTEGERS))
        apart = np.abs(whole - rounded)[whole > -6]
        assert apart.size > 500
        assert np.median(apart) < 0.15
        assert 0 < np.quantile(apart, 0.99) < 0.5  # the log odds of what is there span ten

    def test_other_weights_are_refused(self):
        with pytest.raises(ValueError, match="not 00; install"):
            runtime.Weights("network.onnx", "00").read()


class TestWhatItFinds:
    @pytest.mark.parametrize("background", ["sky", "wall"])
    def test_large_grains_on_even_ground(self, background):
        frame = render(scene(background))
        (spots,) = NetworkDetector().detect([Photograph(frame.pixels, f_number=16, pixel_um=6.0)])
        truth = frame.truth
        inside = (np.abs(truth.x - 299.5) < 280) & (np.abs(truth.y - 199.5) < 180)
        best = spots.strongest(len(truth))
        apart = np.hypot(best.x[None] - truth.x[inside, None], best.y[None] - truth.y[inside, None]).min(axis=1)
        assert inside.sum() >= 5
        assert (apart < 2).mean() > 0.8
        # nothing else in the frame comes near their scores
        clean = render(scene(background, mean_count=0.0))
        (nothing,) = NetworkDetector().detect([Photograph(clean.pixels, f_number=16, pixel_um=6.0)])
        assert nothing.score.max(initial=-9) < np.median(best.score) - 2

    def test_without_an_f_number(self):
        frame = render(scene("sky"))
        (spots,) = NetworkDetector().detect([Photograph(frame.pixels)])
        best = spots.strongest(len(frame.truth))
        apart = np.hypot(best.x[None] - frame.truth.x[:, None], best.y[None] - frame.truth.y[:, None]).min(axis=1)
        assert (apart < 3).mean() > 0.6


class TestCard:
    @pytest.mark.parametrize(
        ("name", "shipped"),
        [("card.json", (SINGLE, INTEGERS)), ("evidence.json", (together.SINGLE, together.INTEGERS))],
    )
    def test_says_what_ships(self, name, shipped):
        card = json.loads(FILES.joinpath(name).read_text(encoding="utf-8"))
        files = {each.file: FILES.joinpath(each.file).read_bytes() for each in shipped}
        assert card["files"] == {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
        assert card["files"] == {each.file: each.sha256 for each in shipped}
        assert card["namespaces"] == ["train"]
        assert card["parameters"] <= 900_000

    def test_all_weights_have_a_card_and_are_small(self):
        files = [path for path in FILES.iterdir() if path.name.endswith(".onnx")]
        assert len(files) == 4
        assert sum(len(path.read_bytes()) for path in files) <= 4_000_000

    def test_it_can_be_judged_on_report_and_not_on_train(self):
        detector = NetworkDetector()
        refuse_what_was_taught(detector, scene(namespace="report"))
        with pytest.raises(YardError, match="'network' was taught on train seeds"):
            refuse_what_was_taught(detector, scene(namespace="train"))

    def test_a_row_on_what_was_taught_is_a_failed_one(self):
        def outcome(name):
            return judge(frame, row, shot=photograph(frame), seat=seat_of(name), allowance=None)

        frame = render(scene(namespace="train"))
        row = frame_row(frame, ground="sky", viewing=Viewing(), render_s=0.0)
        assert "was taught on train seeds" in outcome("network").problem
        assert outcome("dog").problem is None

    @pytest.mark.parametrize("file", ["canyon-wren.jpg", "pasture.jpg"])
    def test_it_is_not_judged_on_photographs_that_it_was_taught_on(self, file):
        on = dataclasses.replace(scene(namespace="report"), background="photograph", options=(("file", "moor.jpg"),))
        refuse_what_was_taught(NetworkDetector(), on)
        on = dataclasses.replace(on, options=(("file", file),))
        with pytest.raises(YardError, match=f"taught on the photograph {file} and can't be judged"):
            refuse_what_was_taught(NetworkDetector(), on)

    @pytest.mark.parametrize("card", [{}, {"namespaces": []}, {"namespaces": ["holdout"]}, ["train"]])
    def test_a_card_must_say(self, card):
        detector = NetworkDetector()

        class Other:
            name, version = "other", "1"
            detect = detector.detect

        Other.card = card
        with pytest.raises(YardError, match="must list in 'namespaces'"):
            learned_from(Other())
