"""Fields bent in their tiles against fields bent whole, and the small operations that paintings are put together of."""

import numpy as np
import pytest
from scipy import ndimage

from moteyard.generators.backgrounds.base import finest_detail
from moteyard.generators.backgrounds.bent import summed_rows
from moteyard.generators.backgrounds.canvas import crisp, full_size
from moteyard.generators.backgrounds.noise import WHOLE_SAMPLES, Spectrum, plane
from moteyard.generators.backgrounds.raster import blended, in_cache, shifted, slope
from moteyard.generators.backgrounds.statistics import spectral_exponent
from moteyard.generators.backgrounds.view import View
from moteyard.generators.backgrounds.waves import _deviates

from .test_backgrounds_statistics import whitened_autocorrelation

LARGE = (1010, 1320)
"""More samples than a field has that is made whole."""
RIPPLE = [(1.0, Spectrum(1.5, 40.0, 2.5, 2.0, 20.0), 90.0), (0.5, Spectrum(0.9, 14.0), 0.0)]


def laid(shape, seed=1, **how):
    return summed_rows(shape, RIPPLE, np.random.default_rng(seed), **how)


def test_a_field_bent_in_its_tile_is_like_one_bent_whole():
    assert LARGE[0] * LARGE[1] > WHOLE_SAMPLES
    tiled = plane(laid(LARGE), LARGE)
    whole = np.concatenate([plane(laid((500, 660), seed), (500, 660)) for seed in range(4)])
    # The layers are independent: their variances add up.
    assert tiled.std() == pytest.approx(np.sqrt(1.25), rel=0.05)
    assert whole.std() == pytest.approx(np.sqrt(1.25), rel=0.05)
    assert spectral_exponent(tiled) == pytest.approx(spectral_exponent(whole), abs=0.05)
    assert whitened_autocorrelation(tiled[:, :900]).max() < 0.15


@pytest.mark.parametrize("view", [None, View(0.7, 1.4)])
@pytest.mark.parametrize("look", [None, lambda height: slope(height, 40.0)])
def test_rows_of_a_tiled_field_are_those_of_its_plane(view, look):
    rows = laid(LARGE, view=view, look=look)
    whole = rows(slice(0, LARGE[0]))
    for part in (slice(0, 95), slice(95, 330), slice(1009, 1010)):
        assert np.array_equal(rows(part), whole[part])


def test_a_look_at_a_tile_is_a_look_at_the_field():
    # A slope is linear, and so are cross-fades: but for the turned cuttings it doesn't matter which comes first.
    seen = plane(laid(LARGE, look=lambda height: slope(height, 40.0)), LARGE)
    after = slope(plane(laid(LARGE), LARGE), 40.0)
    assert seen.std() == pytest.approx(after.std(), rel=0.03)


@pytest.mark.parametrize("move", [(2.3, -1.6), (-4.1, -3.9), (0.0, 5.0), (0.25, 0.0)])
def test_shifted_against_another_library(move):
    image = np.random.default_rng(1).random((40, 50), dtype=np.float32)
    expected = ndimage.shift(image, (-move[1], -move[0]), order=1, mode="nearest")
    np.testing.assert_allclose(shifted(image, *move), expected, atol=1e-5)


def test_blended_is_the_sum_of_colours_times_weights():
    weights = np.random.default_rng(2).random((3, 30, 41), dtype=np.float32)
    colours = np.random.default_rng(3).random((3, 3), dtype=np.float32)
    picture = blended(list(weights), list(colours[:, :, None, None]))
    np.testing.assert_allclose(picture, np.einsum("kyx,kc->cyx", weights, colours), rtol=1e-5)
    rows = in_cache(lambda *some: some, list(colours[:, :, None, None]), *weights)
    assert np.array_equal(rows, picture)


@pytest.mark.parametrize(("period", "kept"), [(4, 0.986), (8, 1.012), (16, 1.005)])
def test_crisp_makes_good_what_enlargement_takes(period, kept):
    # Weights ¼ and ¾ leave cos³(π/2p) of a wave of p samples, the sharpening kernel makes it 1 + ¼(1 − cos(2π/p)).
    assert (1 + 0.25 * (1 - np.cos(2 * np.pi / period))) * np.cos(np.pi / 2 / period) ** 3 == pytest.approx(
        kept, abs=1e-3
    )
    wave = np.broadcast_to(np.cos(2 * np.pi * np.arange(160) / period), (40, 160)).astype(np.float32)
    light = full_size(np.stack([crisp(2 + wave)] * 3), (80, 320), np.random.default_rng(0))[40, 32:-32, 0]
    phase = np.exp(-2j * np.pi * np.arange(256) / (2 * period))
    assert 2 * abs((light * phase).mean()) == pytest.approx(kept, abs=0.003)


def test_deviates_of_256_values_have_the_moments_of_the_normal_distribution():
    values = _deviates((1000, 1000), np.random.default_rng(5)).astype(float)
    # Standard errors: 1/√n and √(2/n); the fourth moment of so few values, 2.94, is 3 but for the outermost.
    assert abs(values.mean()) < 5e-3
    assert values.var() == pytest.approx(1, abs=7e-3)
    assert (values**4).mean() == pytest.approx(3, abs=0.1)


def test_finest_detail_grows_with_the_scene():
    assert finest_detail(300) == 2.0
    assert finest_detail(3000) == 8.0
