"""The matched filter against the theory of the ideal observer."""

import numpy as np
import pytest
from scipy.stats import norm

from moteyard.detectors.contract import Photograph
from moteyard.detectors.matched import MatchedFilter
from moteyard.detectors.profiles import Profile
from moteyard.detectors.whitening import TILE, whitened_snr
from moteyard.generators.optics import Optics

SIGMA = 0.05
WHITE = np.full((TILE, TILE // 2 + 1), SIGMA**2, np.float32)


@pytest.fixture(scope="module")
def template():
    log = Profile(30.0, Optics(f_number=11.0)).log(2)
    return log / np.sqrt((log.astype(np.float64) ** 2).sum()).astype(np.float32)  # unit energy


def scores(template, strength, *, known_power):
    """Return scores at known places with and without the template at d′ = strength in white noise."""
    noise = np.random.default_rng(11).normal(0, SIGMA, (1100, 1100)).astype(np.float32)
    shadowed = noise.copy()
    half = template.shape[0] // 2
    places = np.array([(y, x) for y in range(50, 1060, 37) for x in range(50, 1060, 37)])
    for y, x in places:
        shadowed[y - half : y + half + 1, x - half : x + half + 1] += strength * SIGMA * template
    picked = tuple(places.T)
    maps = [whitened_snr(log, [template], known_power=known_power)[0] for log in (shadowed, noise)]
    return maps[0][picked], maps[1][picked]


def area_under_roc(present, absent):
    return float((present[:, None] > absent[None, :]).mean())


@pytest.mark.parametrize("strength", [1.0, 2.0, 4.0])
def test_known_noise_gives_the_ideal_observer(template, strength):
    present, absent = scores(template, strength, known_power=WHITE)
    error = 4 / np.sqrt(len(present))
    assert present.mean() == pytest.approx(strength, rel=0.04, abs=error)  # a tile lacks its mean: −2 %
    assert absent.mean() == pytest.approx(0, abs=error)
    assert absent.std() == pytest.approx(1, abs=0.02 + error / np.sqrt(2))
    # AUC = Φ(d′/√2), Green & Swets 1966 (from memory)
    assert area_under_roc(present, absent) == pytest.approx(norm.cdf(strength / np.sqrt(2)), abs=0.03)


def test_estimated_noise_loses_little_of_it(template):
    present, absent = scores(template, 2.0, known_power=None)
    assert absent.std() == pytest.approx(0.92, abs=4 / np.sqrt(2 * len(absent)))
    assert area_under_roc(present, absent) == pytest.approx(norm.cdf(2 / np.sqrt(2)), abs=0.03)


def test_score_knows_no_level_of_noise(template):
    noise = np.random.default_rng(12).normal(size=(300, 300)).astype(np.float32)
    faint, strong = (whitened_snr(level * noise, [template])[0] for level in (0.01, 0.3))
    np.testing.assert_allclose(faint, strong, atol=1e-3)


def test_coloured_noise_is_whitened(template):
    white = np.random.default_rng(13).normal(size=(512, 512))
    f = np.hypot(np.fft.fftfreq(512)[:, None], np.fft.rfftfreq(512)[None])
    pink = np.fft.irfft2(np.fft.rfft2(white) / np.maximum(f, 1 / 512), s=(512, 512)).astype(np.float32)
    assert whitened_snr(0.01 * pink, [template])[0].std() == pytest.approx(0.92, abs=0.06)


@pytest.mark.parametrize("shape", [(1, 1), (5, 700), (TILE, TILE), (101, 99)], ids=str)
def test_any_size(template, shape):
    noise = np.random.default_rng(14).normal(size=shape).astype(np.float32)
    snr, which = whitened_snr(noise, [template, template])
    assert snr.shape == which.shape == shape
    assert np.isfinite(snr).all()


def test_strips_join_without_a_seam(template, monkeypatch):
    noise = np.random.default_rng(15).normal(size=(400, 120)).astype(np.float32)
    whole, _ = whitened_snr(noise, [template])
    monkeypatch.setattr("moteyard.detectors.whitening._STRIP_TILES", 3)
    np.testing.assert_allclose(whitened_snr(noise, [template])[0], whole, atol=1e-4)


def test_the_likelier_template_is_named(template):
    wide = Profile(100.0, Optics(f_number=5.6)).log(2)
    picture = 0.001 * np.random.default_rng(16).normal(size=(240, 240)).astype(np.float32)
    half = wide.shape[0] // 2
    picture[120 - half : 121 + half, 120 - half : 121 + half] += 0.1 * wide
    _, which = whitened_snr(picture, [template, wide])
    assert which[120, 120] == 1


def test_most_light_noise_stays_below_six():
    # The best of some 10⁵ places, mended places and seven sizes in a unit normal.
    noise = np.random.default_rng(17).normal(0.5, 0.01, (1000, 1000, 1))
    pixels = np.rint(np.repeat(noise, 3, axis=2) * 65535).astype(np.uint16)
    spots = MatchedFilter().detect([Photograph(pixels, f_number=11.0, pixel_um=6.0, encoding="linear")])[0]
    assert len(spots) > 20
    assert spots.score.max() < 6


@pytest.mark.parametrize("strength", [1.0, 2.5])
def test_the_whole_roc_is_the_ideal_observers(template, strength):
    present, absent = scores(template, strength, known_power=WHITE)
    for rate in (0.02, 0.1, 0.3, 0.6):
        # equal-variance Gaussian model: hit rate Φ(d′ − z(1 − false-alarm rate)), Green & Swets 1966 (from memory)
        threshold = norm.isf(rate)
        hit_rate = norm.cdf(strength - threshold)
        for measured, expected in (((absent > threshold).mean(), rate), ((present > threshold).mean(), hit_rate)):
            error = np.sqrt(expected * (1 - expected) / len(present))
            assert measured == pytest.approx(expected, abs=3 * error + 0.02)
