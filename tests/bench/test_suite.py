"""Suites: what ships is sound, what is malformed is named."""

import numpy as np
import pytest

from moteyard.bench.errors import YardError
from moteyard.bench.rerun import judged_by_default
from moteyard.bench.suite_file import load_suite, parse_suite, suite_names
from moteyard.generators.backgrounds.base import pick_kind
from moteyard.generators.backgrounds.snow import KINDS as SNOW
from moteyard.generators.scene import render

GOOD = """
name = "tiny"
version = 1
summary = "for tests"
seed = 1
frames = 2
f_numbers = [8, 16]
[[ground]]
background = "sky"
[[ground]]
background = "snow"
label = "drifts"
kind = "drifts"
"""


def test_shipped_suites_load_and_expand():
    assert {"quick", "standard", "testframe", "debris"} <= set(suite_names())
    for name in suite_names():
        suite = load_suite(name)
        scenes = list(suite.scenes())
        assert len(scenes) == suite.frames * len(suite.f_numbers) * len(suite.grounds)
        assert len({scene.digest for scene in scenes}) == len(scenes)
        assert suite.name == name


def test_scenes_of_a_suite():
    suite = parse_suite(GOOD, where="tiny.toml")
    scenes = list(suite.scenes())
    assert [scene.name for scene in scenes][:3] == ["sky/f8/000", "sky/f8/001", "sky/f16/000"]
    assert scenes[-1].options == (("kind", "drifts"),)
    assert scenes[-1].optics.f_number == 16
    assert {scene.seed for scene in scenes}.isdisjoint({scene.seed for scene in suite.scenes("train")})


def test_one_more_ground_leaves_the_others_alone():
    before = {scene.digest for scene in parse_suite(GOOD, where="a").scenes()}
    more = GOOD + '[[ground]]\nbackground = "scrub"\n'
    assert before < {scene.digest for scene in parse_suite(more, where="a").scenes()}


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("frames = 2", "frames = = 2", r"a.toml is not valid TOML: .*line 6"),
        ("frames = 2", "frame = 2", r"a.toml: unknown key 'frame'; did you mean 'frames'\?"),
        ("frames = 2", "", "a.toml: key 'frames' is missing"),
        ("frames = 2", "frames = 0", "key 'frames' must be at least 1, not 0"),
        ("frames = 2", 'frames = "two"', "key 'frames' must be of type int, not 'two'"),
        ("frames = 2", "frames = true", "key 'frames' must be of type int, not True"),
        ("[8, 16]", "[8, 8]", "'f_numbers' must be a list of different positive numbers"),
        ("[8, 16]", "[0]", "'f_numbers' must be a list of different positive numbers"),
        ("[8, 16]", "[inf]", "'f_numbers' must be a list of different positive numbers"),
        ("seed = 1", "seed = -1", "key 'seed' must be at least 0, not -1"),
        ('background = "sky"', 'background = "skye"', "unknown background 'skye'.*sky"),
        ('kind = "drifts"', 'kin = "drifts"', "unknown option of snow 'kin'"),
        ('label = "drifts"', 'label = "sky"', "two grounds are labelled 'sky'"),
        ('label = "drifts"', 'label = "a/b"', "'label' must be a word without '/'"),
    ],
)
def test_malformed_suites_are_named(old, new, message):
    with pytest.raises(YardError, match=message):
        parse_suite(GOOD.replace(old, new, 1), where="a.toml")


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("[camera]\nwidth = 5", r"\[camera\]: unknown key 'width'; did you mean 'width_px'"),
        ("[camera]\nwidth_px = 'wide'", r"\[camera\]: key 'width_px' must be a whole number, not 'wide'"),
        (
            "[camera]\npreset = 'in-camera'",
            r"\[camera\]: unknown camera preset 'in-camera'; did you mean 'in-camera-jpeg'",
        ),
        ("[camera]\npreset = 3", r"\[camera\]: unknown camera preset 3; known are plain, raw-like"),
        ("[camera]\nfalloff_corrected = 1", r"\[camera\]: key 'falloff_corrected' must be true or false, not 1"),
        ("[camera]\nsharpening = true", r"\[camera\]: key 'sharpening' must be a number, not True"),
        ("[camera]\nwidth_px = 1.5", r"\[camera\]: key 'width_px' must be a whole number, not 1.5"),
        ("[camera]\nbits = 12", r"\[camera\]: Camera.bits must be 8 or 16, not 12"),
        ("[optics]\nfilter_distance_mm = -1", r"\[optics\]: Optics.filter_distance_mm must be a positive"),
        ("[population]\nlevel = 0", r"\[population\]: Population needs level ≥ 1"),
        (
            "[viewing]\nppi = 300\nscreen_pitch_mm = 0.25",
            r"\[viewing\]: 'ppi' is of a print, 'screen_pitch_mm' of a scr",
        ),
        ("[viewing]\nscreen_pitch_mm = 0", r"'screen_pitch_mm' must be a positive number, not 0"),
        ("[viewing]\nppi = 0", r"\[viewing\]: ppi and distance_mm must be positive"),
    ],
)
def test_malformed_tables_are_named(table, message):
    head, grounds = GOOD.split("[[ground]]", 1)
    with pytest.raises(YardError, match=message):
        parse_suite(f"{head}{table}\n[[ground]]{grounds}", where="a.toml")


def test_a_screen_is_seen_by_its_pitch():
    """A pitch of 1 mm from where a degree is 100 mm wide: a hundred pixels a degree."""
    text = GOOD + "[viewing]\nscreen_pitch_mm = 1.0\ndistance_mm = 5729.578\n"
    assert parse_suite(text, where="here").viewing.pixels_per_degree == pytest.approx(100)


def test_a_ground_may_be_of_several_kinds():
    text = GOOD.replace('kind = "drifts"', 'kind = "powder, crust"')
    (_, snow) = parse_suite(text, where="here").grounds
    drawn = {pick_kind(dict(snow.options)["kind"], SNOW, np.random.default_rng(seed)) for seed in range(20)}
    assert drawn == {"powder", "crust"}
    with pytest.raises(YardError, match=r"snow knows no kind 'ice'; known are drifts"):
        parse_suite(GOOD.replace('kind = "drifts"', 'kind = "powder, ice"'), where="here")
    with pytest.raises(YardError, match=r"snow knows no kind 'mixed'"):
        parse_suite(GOOD.replace('kind = "drifts"', 'kind = "powder, mixed"'), where="here")


def test_the_standard_suite_parts_what_differs():
    suite = load_suite("standard")
    assert [ground.label for ground in suite.grounds] == [
        "sky-clear", "sky-clouds", "snow-plain", "snow-rough", "snow-rocks", "scrub", "rock",
    ]  # fmt: skip
    kinds = [
        name.strip() for g in suite.grounds if g.background == "snow" for name in dict(g.options)["kind"].split(",")
    ]
    assert sorted(kinds) == sorted(SNOW)  # each once


def test_a_camera_by_name_with_a_word_of_its_own():
    table = '[camera]\npreset = "in-camera-jpeg"\nwidth_px = 300\njpeg_quality = 70\n'
    camera = parse_suite(GOOD.replace("[[ground]]", table + "[[ground]]", 1), where="a.toml").camera
    assert (camera.width_px, camera.jpeg_quality, camera.jpeg_chroma) == (300, 70, "4:2:2")
    assert camera.falloff_corrected is True


def test_unknown_suites_are_answered_with_the_known():
    with pytest.raises(YardError, match="unknown suite 'standart'; did you mean 'standard'"):
        load_suite("standart")
    with pytest.raises(YardError, match=r"no suite file at nowhere\.toml"):
        load_suite("nowhere.toml")


def test_a_suite_names_a_state_and_overrides_it():
    head, grounds = GOOD.split("[[ground]]", 1)
    table = '[population]\nstate = "dry-grit"\n[population.grain]\nmean_count = 3\n'
    suite = parse_suite(f"{head}{table}[[ground]]{grounds}", where="a.toml")
    assert suite.population.state == "dry-grit"
    assert {share.kind: share.mean_count for share in suite.population.shares}["grain"] == 3
    plain = parse_suite(f'{head}[population]\nstate = "dry-grit"\n[[ground]]{grounds}', where="a.toml")
    assert suite.digest != plain.digest


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ('state = "dry-grid"', r"a\.toml, \[population\]: unknown state 'dry-grid'; did you mean 'dry-grit'"),
        ("state = 3", r"\[population\]: key 'state' must name a state, not 3"),
        ('state = "dry-grit"\nmean_count = 5', r"dry-grit\.toml: unknown key 'mean_count'; known are name"),
        ('state = "dry-grit"\n[population.fibre]\nwidth = 5', r"dry-grit\.toml, \[fibre\]: unknown key 'width'"),
    ],
)
def test_malformed_states_of_a_suite_are_named(table, message):
    head, grounds = GOOD.split("[[ground]]", 1)
    with pytest.raises(YardError, match=message):
        parse_suite(f"{head}[population]\n{table}\n[[ground]]{grounds}", where="a.toml")


def test_suites_of_plain_grains_keep_their_dust():
    # Written down before anything but disks could lie on a filter: name, count, first and last x, y and diameter.
    known = {
        "quick": ("sky/f8/000", 7, [476.109, 487.029, 24.739, 739.715, 322.684, 23.64]),
        "testframe": ("screen/f16/000", 20, [707.144, 164.229, 17.529, 590.155, 464.618, 14.13]),
    }
    for name, (place, count, numbers) in known.items():
        scene = next(load_suite(name).scenes())
        truth = render(scene).truth
        assert (scene.name, len(truth)) == (place, count)
        ends = [column[end] for end in (0, -1) for column in (truth.x, truth.y, truth.diameter_um)]
        assert ends == pytest.approx(numbers, abs=1e-3)


def test_a_suite_skips_detectors_without_being_another():
    plain = parse_suite(GOOD, where="a")
    skipping = parse_suite('skip = ["dog", "someone-elses"]' + GOOD, where="a")
    assert set(judged_by_default(plain)) - set(judged_by_default(skipping)) == {"dog"}
    assert skipping.digest == plain.digest
    with pytest.raises(YardError, match="a: key 'skip' must be a list of detectors' names, not 'dog'"):
        parse_suite('skip = "dog"' + GOOD, where="a")
