"""The second look: amplitudes and ratios where they can be written down."""

import numpy as np
import pytest

from moteyard.detectors.refit import refitted
from moteyard.detectors.whitening import whitened_snr


def shadow(depth=0.2, sigma=2.5, side=21, dx=0.0, dy=0.0):
    axis = np.arange(side) - side // 2
    square = (axis[:, None] - dy) ** 2 + (axis[None, :] - dx) ** 2
    return (-depth * np.exp(-square / (2 * sigma**2))).astype(np.float32)


def picture(noise, depth, rng, dx=0.0, dy=0.0):
    log = rng.normal(0, noise, (160, 160)).astype(np.float32)
    log[70:91, 70:91] += shadow(depth, dx=dx, dy=dy)
    return log


def at(y, x):
    return np.array([y], np.float32), np.array([x], np.float32)


def test_amplitude_of_a_shadow_in_faint_noise():
    log = picture(1e-3, 0.4, np.random.default_rng(0))
    fit = refitted(log, at(80, 80), templates=[shadow(0.2)])
    assert fit.amplitude[0] == pytest.approx(2.0, rel=0.01)


def test_fractions_of_a_pixel_are_followed():
    log = picture(1e-3, 0.2, np.random.default_rng(0), dx=0.4, dy=-0.3)
    fit = refitted(log, at(79.7, 80.4), templates=[shadow(0.2)])
    assert fit.amplitude[0] == pytest.approx(1.0, rel=0.01)


def test_the_ratio_is_nearer_the_textbook_one_the_deeper_the_shadow():
    # White noise of σ: d′ = √(Σs²)/σ (Green & Swets 1966, from memory). Read from the tile with the shadow
    # in it, a deep one looks shallow; taking the fit out once brings most of it back.
    rng = np.random.default_rng(1)
    for depth, share in ((0.05, 0.85), (0.4, 0.5)):
        expected = np.sqrt(np.sum(shadow(depth) ** 2)) / 0.02
        logs = [picture(0.02, depth, rng) for _ in range(40)]
        ratio = np.mean([refitted(log, at(80, 80), templates=[shadow(0.2)]).ratio[0] for log in logs])
        assert share * expected < ratio < 1.1 * expected
    first_look = np.mean([whitened_snr(log, [shadow(0.2)])[0][80, 80] for log in logs])
    assert first_look < 0.2 * expected


def test_another_shape_gains_less_than_the_shadow():
    rng = np.random.default_rng(2)
    template, square = shadow(0.3), np.zeros((21, 21), np.float32)
    square[8:13, 3:18] = template.sum() / 75
    ratios = []
    for shape in (template, square):
        log = rng.normal(0, 0.01, (160, 160)).astype(np.float32)
        log[70:91, 70:91] += shape
        ratios.append(refitted(log, at(80, 80), templates=[template]).ratio[0])
    assert ratios[0] > 2 * ratios[1]


def test_the_better_template_is_named():
    log = picture(0.005, 0.3, np.random.default_rng(3))
    fit = refitted(log, at(80, 80), templates=[shadow(sigma=1.2), shadow(), shadow(sigma=5.0)])
    assert fit.which[0] == 1


def test_bright_spots_are_no_shadows():
    log = -picture(0.005, 0.3, np.random.default_rng(4))
    fit = refitted(log, at(80, 80), templates=[shadow()])
    assert fit.amplitude[0] < 0 or fit.ratio[0] < 5


def test_no_candidates_and_candidates_on_the_rim():
    log = np.random.default_rng(5).normal(0, 0.01, (60, 60)).astype(np.float32)
    none = np.zeros(0, np.float32)
    assert len(refitted(log, (none, none), templates=[shadow()]).ratio) == 0
    fit = refitted(log, at(0, 59), templates=[shadow()])
    assert np.isfinite(fit.ratio).all()
    assert -0.5 <= fit.y[0] <= 59.5
    assert -0.5 <= fit.x[0] <= 59.5


def test_a_misplaced_candidate_finds_its_shadow():
    log = picture(0.005, 0.3, np.random.default_rng(6), dx=0.3, dy=-0.2)
    fit = refitted(log, at(82.4, 78.1), templates=[shadow(0.3)])
    assert (fit.y[0], fit.x[0]) == pytest.approx((79.8, 80.3), abs=0.3)
    assert fit.amplitude[0] == pytest.approx(1.0, rel=0.1)
