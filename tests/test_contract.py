"""What every registered detector must keep, and bad ones that must fail."""

from pathlib import Path

import numpy as np
import pytest

from moteyard.detectors import ContractError, Photograph, Spots, check_answer, load, names

EXAMPLE = f"{Path(__file__).parent / 'examples' / 'darkest.py'}:Darkest"
ALL = [*names(), EXAMPLE]
CONTROLS = ("nothing", "guess")
METHODS = [name for name in ALL if name not in CONTROLS]

SPOT_X, SPOT_Y, SPOT_WIDTH = 200.0, 130.0, 30.0
F_NUMBER = 5.6  # a grain at 1 mm casts a shadow 30 pixels of 6 µm wide


@pytest.fixture(params=ALL, ids=lambda spec: spec.rpartition(":")[2])
def detector(request):
    return load(request.param)


def sky(*, exposure=1.0, depth=0.2, shape=(320, 400), bits=8):
    """A smooth bright gradient with camera noise and one round shadow."""
    y, x = np.indices(shape)
    rim = np.clip((SPOT_WIDTH / 2 - np.hypot(x - SPOT_X, y - SPOT_Y)) / 6 + 0.5, 0, 1)
    light = (0.25 + 0.1 * y / shape[0]) * (1 - depth * rim)
    noisy = light * (1 + np.random.default_rng(7).normal(0, 0.01, shape)) * exposure
    top = 2**bits - 1
    codes = np.rint(np.clip(noisy, 0, 1) ** (1 / 2.2) * top).astype(f"uint{bits}")
    pixels = np.repeat(codes[..., None], 3, axis=2)
    pixels.flags.writeable = False
    return pixels


def frame(pixels, f_number=F_NUMBER, pixel_um=6.0):
    return Photograph(np.ascontiguousarray(pixels), f_number=f_number, pixel_um=pixel_um)


def answer(detector, *roll):
    spots = detector.detect(roll)
    check_answer(spots, roll)
    return spots


def columns(spots):
    return np.stack([spots.x, spots.y, spots.diameter_px, spots.score])


def noise(shape, bits=8):
    top = 2**bits - 1
    return np.random.default_rng(1).integers(0, top, (*shape, 3), dtype=f"uint{bits}", endpoint=True)


PLAIN = {
    "black": np.zeros((96, 128, 3), np.uint8),
    "white": np.full((96, 128, 3), 255, np.uint8),
    "grey": np.full((96, 128, 3), 128, np.uint8),
    "grey, 16 bits": np.full((96, 128, 3), 30000, np.uint16),
}

SHAPES = [(1, 1), (1, 500), (500, 1), (7, 9), (33, 31), (64, 65), (90, 401)]


def test_named(detector):
    assert isinstance(detector.name, str)
    assert isinstance(detector.version, str)
    assert detector.name
    assert detector.version


def test_an_empty_roll_has_no_answers(detector):
    assert answer(detector) == []


def test_one_answer_a_photograph(detector):
    assert len(answer(detector, frame(sky()), frame(noise((60, 50))), frame(PLAIN["grey"]))) == 3


def test_same_pixels_same_answer(detector):
    first, second = answer(detector, frame(sky()), frame(sky()))
    again = answer(type(detector)(), frame(sky()))[0]
    np.testing.assert_array_equal(columns(first), columns(second))
    np.testing.assert_array_equal(columns(first), columns(again))


def test_global_random_state_is_left_alone(detector):
    before = np.random.get_state()[1].copy()  # noqa: NPY002 (the legacy state is what is looked at)
    answer(detector, frame(sky()))
    np.testing.assert_array_equal(np.random.get_state()[1], before)  # noqa: NPY002


def test_pixels_stay_as_they_are(detector):
    pixels = sky().copy()
    answer(detector, frame(pixels))
    np.testing.assert_array_equal(pixels, sky())


@pytest.mark.parametrize("name", PLAIN)
def test_nothing_on_a_plain_frame(detector, name):
    spots = answer(detector, frame(PLAIN[name]))[0]
    assert detector.name == "guess" or len(spots) == 0


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_any_size(detector, shape):
    answer(detector, frame(noise(shape)), frame(noise(shape, bits=16), f_number=None))


def test_half_black_half_saturated(detector):
    pixels = sky().copy()
    pixels[:, :120] = 0
    pixels[:, 280:] = 255
    answer(detector, frame(pixels))


@pytest.mark.parametrize("optics", [(None, None), (1.4, 6.0), (64.0, 2.0), (0.0, 0.0), (float("nan"), 30.0)], ids=str)
def test_any_metadata(detector, optics):
    answer(detector, frame(sky(), *optics))


@pytest.mark.parametrize("spec", METHODS, ids=lambda spec: spec.rpartition(":")[2])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("exposure", [1.0, 0.5])
@pytest.mark.parametrize("f_number", [F_NUMBER, None])
def test_an_obvious_spot_comes_first(spec, bits, exposure, f_number):
    top = answer(load(spec), frame(sky(bits=bits, exposure=exposure), f_number=f_number))[0].strongest(1)
    assert len(top) == 1
    assert np.hypot(top.x[0] - SPOT_X, top.y[0] - SPOT_Y) < SPOT_WIDTH / 5


def spots(**changed):
    return Spots(**({"x": [3], "y": [4], "diameter_px": [9], "score": [1]} | changed))


@pytest.mark.parametrize(
    ("bad", "message"),
    [
        (None, "must return a list of Spots, not NoneType"),
        ((spots(),), "must return a list of Spots, not tuple"),
        ([], "answered 0 times for a roll of 1 photographs"),
        ([spots(), spots()], "answered 2 times"),
        ([[3, 4, 9, 1]], "answer 0 must be Spots, not list"),
        ([spots(score=[np.nan])], r"score\[0\] is nan, not a finite number"),
        ([spots(diameter_px=[np.inf])], r"diameter_px\[0\] is inf"),
        ([spots(x=[400])], r"x\[0\] = 400.0 lies outside the frame, −0.5…399.5"),
        ([spots(y=[-1])], r"y\[0\] = -1.0 lies outside"),
        ([spots(diameter_px=[0])], r"diameter_px\[0\] = 0.0 is not positive"),
    ],
)
def test_a_bad_answer_fails(bad, message):
    with pytest.raises(ContractError, match=message):
        check_answer(bad, [frame(sky())])


def test_outer_edges_are_inside():
    check_answer([spots(x=[-0.5], y=[319.5])], [frame(sky())])
