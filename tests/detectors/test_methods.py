"""Each classical response against a number or an implementation from outside."""

import numpy as np
import pytest
from skimage.feature import blob_dog, blob_log

from moteyard.detectors.blackhat import blackhat
from moteyard.detectors.contract import Photograph
from moteyard.detectors.controls import Guess
from moteyard.detectors.dog import SIGMA_PER_FWHM, difference_of_gaussians
from moteyard.detectors.log import laplacian_of_gaussian
from moteyard.detectors.noise import in_noise_units
from moteyard.detectors.residual import residual
from moteyard.detectors.template import correlation

PLACES = np.array([[40, 50], [40, 150], [110, 60], [110, 140]])
SIGMA = 4.0


@pytest.fixture(scope="module")
def dark_gaussians():
    y, x = np.indices((150, 200))
    return -sum(0.3 * np.exp(-((y - row) ** 2 + (x - column) ** 2) / (2 * SIGMA**2)) for row, column in PLACES).astype(
        np.float32
    )


def highest(response):
    return np.argwhere(response > 0.99 * response.max())


@pytest.mark.parametrize(
    ("outside", "inside"),
    [(blob_dog, difference_of_gaussians), (blob_log, laplacian_of_gaussian)],
    ids=["dog", "log"],
)
def test_same_places_as_scikit_image(dark_gaussians, outside, inside):
    theirs = outside(-dark_gaussians, min_sigma=2, max_sigma=8, threshold=0.02)
    ours = highest(inside(dark_gaussians, SIGMA))
    np.testing.assert_array_equal(sorted(map(tuple, theirs[:, :2].astype(int))), sorted(map(tuple, PLACES)))
    np.testing.assert_array_equal(ours, PLACES)


def test_laplacian_of_a_gaussian_is_known(dark_gaussians):
    # G(s) ⊛ Gaussian of σ, depth a: −s²∇² at the centre is 2 a s²σ²/(s² + σ²)², so a/2 at s = σ
    assert laplacian_of_gaussian(dark_gaussians, SIGMA)[40, 50] == pytest.approx(0.15, rel=0.03)


def test_difference_of_a_gaussian_is_known(dark_gaussians):
    # heights of the smoothed Gaussians: a σ²/(σ² + s²)
    expected = 0.3 * (1 / 2 - 1 / (1 + 1.6**2)) / 0.6
    assert difference_of_gaussians(dark_gaussians, SIGMA)[40, 50] == pytest.approx(expected, rel=0.01)


def disk(width, depth):
    y, x = np.indices((120, 120)) - 60
    return np.where(np.hypot(y, x) <= width / 2, -depth, 0).astype(np.float32)


def test_a_disk_answers_most_at_its_own_scale():
    widths = [5, 7, 10, 14, 20]
    answers = [laplacian_of_gaussian(disk(10.0, 0.2), SIGMA_PER_FWHM * w)[60, 60] for w in widths]
    assert widths[int(np.argmax(answers))] == 10


def test_residual_of_a_wide_disk_is_its_depth():
    assert residual(disk(16.0, 0.2), 16.0)[60, 60] == pytest.approx(0.2, rel=0.02)


@pytest.mark.parametrize("respond", [residual, blackhat])
def test_a_gradient_is_no_shadow(respond):
    ramp = np.tile(np.linspace(-2, -1, 120, dtype=np.float32), (120, 1))
    assert np.abs(respond(ramp, 8.0)[30:-30, 30:-30]).max() < 0.03


def test_blackhat_reads_depth_of_a_pit_and_nothing_of_a_bump():
    # a disk of radius r under a Gaussian of σ keeps 1 − exp(−r²/2σ²) at its centre; here σ = r/2;
    # the rim's smoothing leaks a little into the closing's level
    assert blackhat(disk(16.0, 0.2), 16.0)[60, 60] == pytest.approx(0.2 * (1 - np.exp(-2)), rel=0.15)
    assert blackhat(-disk(10.0, 0.2), 10.0)[60, 60] == pytest.approx(0, abs=1e-6)


def test_correlation_is_one_with_itself_whatever_depth_and_light():
    template = disk(10.0, 0.2)[45:76, 45:76]
    for scaled in (disk(10.0, 0.2), 0.1 * disk(10.0, 0.2) - 3):
        match = correlation(scaled.astype(np.float32), template)
        assert match.max() == pytest.approx(1, abs=1e-3)
        assert np.unravel_index(match.argmax(), match.shape) == (60, 60)


def test_correlation_against_numpy():
    rng = np.random.default_rng(3)
    picture, template = (
        rng.normal(size=(40, 50)).astype(np.float32),
        rng.normal(size=(7, 7)).astype(np.float32),
    )
    expected = np.corrcoef(picture[10:17, 20:27].ravel(), template.ravel())[0, 1]
    assert correlation(picture, template)[13, 23] == pytest.approx(expected, abs=1e-4)


def test_noise_units_have_unit_spread_at_any_level():
    noise = np.random.default_rng(4).normal(size=(400, 400)).astype(np.float32)
    for level in (0.01, 1.0):
        assert in_noise_units(level * noise + 5).std() == pytest.approx(1, abs=0.03)


def test_guesses_are_uniform():
    pixels = np.random.default_rng(5).integers(0, 255, (2000, 2000, 3), dtype=np.uint8)
    spots = Guess().detect([Photograph(pixels)])[0]
    assert len(spots) == 1600
    # mean of n uniform numbers: standard error width/√(12 n)
    for column, width in ((spots.x, 2000), (spots.y, 2000), (spots.score, 1)):
        assert column.mean() == pytest.approx(width / 2, abs=4 * width / np.sqrt(12 * 1600))
