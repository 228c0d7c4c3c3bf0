"""Texture as a mask: grounds of known contrast, and a suite that asks for it."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import spearmanr

from moteyard.bench.errors import YardError
from moteyard.bench.judge import frame_row
from moteyard.bench.masking import FWHM_PER_SIGMA, mask_contrast
from moteyard.bench.suite_file import load_suite, parse_suite, suite_text
from moteyard.generators.scene import render


def on(log, x, y, fwhm):
    clean = np.repeat(np.exp(log - 2)[:, :, None], 3, axis=2).astype(np.float32)  # far below white
    truth = SimpleNamespace(x=np.array(x), y=np.array(y), fwhm_px=np.array(fwhm))
    return mask_contrast(SimpleNamespace(clean=clean, truth=truth))


def test_even_ground_masks_nothing():
    assert on(np.full((128, 128), -1.0), [64.0], [64.0], [10.0]) == pytest.approx([0], abs=1e-5)


@pytest.mark.parametrize("period", [12, 24, 48])
def test_a_grating_has_the_contrast_that_fourier_gives(period):
    """Amplitude × (e^(−(ωσ)²/2) − e^(−(1.6ωσ)²/2)) over the gain 1/2 − 1/(1 + 1.6²) = 0.2191."""
    x = np.arange(384)
    log = np.broadcast_to(0.1 * np.sin(2 * np.pi * x / period), (384, 384))
    fwhm = 16.0
    width = 2 * np.pi / period * fwhm / FWHM_PER_SIGMA
    expected = 0.1 * (np.exp(-(width**2) / 2) - np.exp(-((1.6 * width) ** 2) / 2)) / 0.2191
    # The square of four widths holds no whole number of periods.
    assert on(log, [192.0], [192.0], [fwhm]) == pytest.approx([expected], rel=0.15)


def test_texture_masks_where_it_is():
    log = np.zeros((128, 256))
    log[:, 160:] = np.random.default_rng(0).normal(0, 0.3, (128, 96))
    smooth, rough = on(log, [60.0, 210.0], [64.0, 64.0], [10.0, 10.0])
    assert smooth < 1e-6
    assert rough > 0.05


def test_white_masks_nothing_whatever_light_falls_on_it():
    # What a camera writes white has no texture, however uneven the light beyond it.
    log = np.random.default_rng(1).uniform(2.1, 3.0, (128, 128))
    assert on(log, [64.0], [64.0], [10.0]) == pytest.approx([0], abs=1e-6)


def test_a_suite_asks_for_it():
    suite = parse_suite(suite_text("guard") + "\n[viewing]\nmasking = true\n", where="here")
    assert suite.viewing.masking
    assert not load_suite("guard").viewing.masking
    lost = {}
    for ground in ("sky", "scrub"):
        scene = next(scene for scene in suite.scenes() if scene.name.startswith(f"{ground}/f22"))
        frame = render(scene)
        rows = [
            frame_row(frame, ground=ground, viewing=replace(suite.viewing, masking=masking), render_s=0.0)
            for masking in (False, True)
        ]
        ratio = rows[1].truth["visibility"] / rows[0].truth["visibility"]
        assert (ratio <= 1).all()
        lost[ground] = float(np.median(ratio))
    assert lost["scrub"] < 0.6 * lost["sky"]


def test_the_band_is_as_wide_as_the_eyes_channels():
    """Full width at half height; measured channels have 1.25 to 2.5 octaves (Wilson et al., 1983, from memory)."""
    period = np.geomspace(3, 400, 60)
    x = np.arange(1600)
    logs = [np.broadcast_to(0.1 * np.sin(2 * np.pi * x / each), (80, 1600)) for each in period]
    seen = np.array([on(log, [800.0], [40.0], [16.0])[0] for log in logs])
    wide = period[seen > seen.max() / 2]
    assert 1.25 < np.log2(wide[-1] / wide[0]) < 2.5


def test_with_masking_visibility_goes_as_an_ideal_observer_says():
    """The generators' d′ of an observer that knows shadow and texture, a measure of its own, ranks shadows.

    Within a ground both visibilities follow it; across grounds only the one that knows of texture.
    """
    suite = load_suite("guard")
    seen = {False: [], True: []}
    ideal = []
    for scene in suite.scenes():
        if scene.name.endswith("000"):
            frame = render(scene)
            ideal.append(frame.truth.detectability)
            for masking, found in seen.items():
                row = frame_row(frame, ground="", viewing=replace(suite.viewing, masking=masking), render_s=0.0)
                found.append(row.truth["visibility"])
    agreement = {masking: spearmanr(np.concatenate(v), np.concatenate(ideal))[0] for masking, v in seen.items()}
    assert agreement[True] > 0.8
    assert agreement[False] < 0.6


def test_masking_is_true_or_false():
    with pytest.raises(YardError, match=r"key 'masking' must be true or false, not 1"):
        parse_suite(suite_text("guard") + "\n[viewing]\nmasking = 1\n", where="here")
    with pytest.raises(YardError, match=r"key 'ppi' must be a number, not True"):
        parse_suite(suite_text("guard") + "\n[viewing]\nppi = true\n", where="here")
