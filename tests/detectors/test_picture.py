import numpy as np
import pytest

from moteyard.detectors.contract import Photograph
from moteyard.detectors.picture import shrink


def linear(values, bits=16):
    codes = np.rint(np.asarray(values) * (2**bits - 1)).astype(f"uint{bits}")
    return Photograph(np.repeat(codes[..., None], 3, axis=2), encoding="linear")


def test_mean_is_of_light_not_of_logarithms():
    picture = shrink(linear([[0.2, 0.4], [0.6, 0.8]]), 2)
    assert picture.log == pytest.approx(np.log([[0.5]]), abs=1e-4)


def test_strips_join_without_a_seam():
    light = np.linspace(0.1, 0.9, 1030)[:, None] * np.ones((1, 5))
    whole = linear(light).luminance()[:1028, :4].reshape(257, 4, 1, 4).mean(axis=(1, 3))
    np.testing.assert_allclose(shrink(linear(light), 4).log, np.log(whole), atol=1e-5)


def test_positions_are_middles_of_what_a_pixel_covers():
    picture = shrink(linear(np.full((8, 8), 0.5)), 4)
    np.testing.assert_allclose(picture.to_photograph(np.array([0.0, 1.0])), [1.5, 5.5])


def test_no_evidence_in_black_and_white():
    picture = shrink(linear([[0.0, 0.5, 1.0]]), 1)
    assert picture.has_evidence.tolist() == [[False, True, False]]


def test_too_large_a_step_is_named():
    with pytest.raises(ValueError, match=r"cannot shrink \(1, 3\) pixels by 2"):
        shrink(linear([[0.5, 0.5, 0.5]]), 2)
