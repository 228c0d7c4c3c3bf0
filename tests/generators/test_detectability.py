"""The observer who knows the shadow: d′ on grounds where it can be written down."""

import numpy as np
import pytest

from moteyard.generators.detectability import detectability, ground_spectrum, tile_side


def gaussian(side=15, sigma=2.5, depth=0.1):
    axis = np.arange(side) - side // 2
    return -depth * np.exp(-(axis[:, None] ** 2 + axis[None, :] ** 2) / (2 * sigma**2))


def test_white_noise_spectrum_is_its_variance():
    noise = np.random.default_rng(0).normal(0, 0.3, (400, 400))
    assert ground_spectrum(noise, 32)[2:-2, 2:-2].mean() == pytest.approx(0.09, rel=0.02)


def test_white_noise_gives_the_textbook_signal_to_noise():
    # √(Σs²)/σ less what the unknown level costs (Green & Swets 1966 and every text on matched filters).
    template = gaussian()
    side = tile_side(template.shape)
    spectrum = ground_spectrum(np.random.default_rng(1).normal(0, 0.02, (600, 600)), side)
    energy = np.sum(template**2) - template.sum() ** 2 / side**2
    assert detectability(template, spectrum, side) == pytest.approx(np.sqrt(energy) / 0.02, rel=0.02)


def test_detectability_is_linear_in_depth_and_inverse_in_noise():
    noise = np.random.default_rng(2).normal(0, 0.02, (300, 300))
    spectrum = ground_spectrum(noise, 32)
    one = detectability(gaussian(depth=0.1), spectrum, 32)
    assert detectability(gaussian(depth=0.2), spectrum, 32) == pytest.approx(2 * one)
    assert detectability(gaussian(depth=0.1), ground_spectrum(2 * noise, 32), 32) == pytest.approx(one / 2)


def test_texture_of_the_shadows_own_scale_hides_it_more():
    rng = np.random.default_rng(3)
    white = rng.normal(0, 1, (512, 512))
    fx, fy = np.meshgrid(np.fft.rfftfreq(512), np.fft.fftfreq(512))
    steep = np.fft.irfft2(np.fft.rfft2(white) / np.maximum(np.hypot(fx, fy), 1 / 512), s=white.shape)
    steep *= white.std() / steep.std()
    values = [detectability(gaussian(), ground_spectrum(0.02 * ground, 32), 32) for ground in (white, steep)]
    assert values[1] < values[0]


def test_a_ground_smaller_than_a_tile_is_refused():
    with pytest.raises(ValueError, match="20×10 pixels is smaller than one tile of 32"):
        ground_spectrum(np.zeros((10, 20)), 32)
