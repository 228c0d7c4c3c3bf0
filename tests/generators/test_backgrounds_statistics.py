"""Painted grounds in numbers: spectra and hardness as documented, no repetition, no wrap, no seams."""

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy import fft, ndimage

from moteyard.generators.backgrounds import make
from moteyard.generators.backgrounds.canvas import Texture, canvas_shape, full_size, in_bands, widened
from moteyard.generators.backgrounds.cells import cell_distance
from moteyard.generators.backgrounds.noise import Spectrum, field, tile
from moteyard.generators.backgrounds.points import add_points
from moteyard.generators.backgrounds.raster import slope
from moteyard.generators.backgrounds.statistics import describe, hardness, log_luminance, spectral_exponent
from moteyard.generators.backgrounds.tiles import Patchwork
from moteyard.generators.transfer import decode


def painted(name, kind, shape=(512, 512), seed=1):
    return make(name, {"kind": kind} if kind else {}).paint(shape, np.random.default_rng(seed))


def whitened_autocorrelation(image):
    """Autocorrelation, 1 at no lag, of what is left of a picture without its spectrum: repeats are peaks."""
    log = np.asarray(image, dtype=np.float64)
    log = log - ndimage.gaussian_filter(log, 6)
    h, w = log.shape
    padded = fft.rfft2(log * np.outer(np.hanning(h), np.hanning(w)), s=(2 * h, 2 * w))
    power = np.abs(padded) ** 2
    smooth = ndimage.uniform_filter(power, 41, mode="nearest")
    correlation = fft.irfft2(power / smooth, s=(2 * h, 2 * w))
    correlation /= correlation[0, 0]
    correlation[:4, :4] = correlation[-4:, :4] = correlation[:4, -4:] = correlation[-4:, -4:] = 0
    return correlation


# Statistics


def test_exponent_of_white_and_of_natural_noise():
    rng = np.random.default_rng(2)
    assert spectral_exponent(rng.standard_normal((512, 512), dtype=np.float32)) == pytest.approx(0, abs=0.05)
    assert spectral_exponent(field((512, 512), Spectrum(1.0), rng)) == pytest.approx(1, abs=0.08)


def test_hardness_of_white_noise_is_the_norm_of_the_filter():
    # Gaussians of variance s and t overlap as 1/(2π(s + t)): ‖g₄ − g₁₆‖² = (1/32 + 1/512 − 2/272)/2π.
    expected = math.sqrt((1 / 32 + 1 / 512 - 2 / 272) / (2 * math.pi))
    noise = np.random.default_rng(3).standard_normal((640, 640)).astype(np.float32)
    assert hardness(noise) == pytest.approx(expected, rel=0.05)


def test_moments_of_a_lognormal_ground():
    light = np.exp(0.3 * np.random.default_rng(3).standard_normal((600, 600)) - 1).astype(np.float32)
    statistics = describe(np.repeat(light[..., None], 3, axis=2))
    assert statistics.contrast == pytest.approx(0.3, rel=0.01)
    assert statistics.skewness == pytest.approx(0, abs=0.02)
    assert statistics.kurtosis == pytest.approx(0, abs=0.04)


def test_statistics_refuse_a_small_picture():
    with pytest.raises(ValueError, match="statistics need 256×256 pixels, not 300×200"):
        describe(np.ones((200, 300, 3), np.float32))


def test_statistics_of_real_textures_from_scikit_image():
    import skimage

    shipped = Path(skimage.__file__).parent / "data"
    grass, gravel, brick = (
        describe(decode(np.asarray(Image.open(shipped / f"{name}.png").convert("RGB")), "srgb"))
        for name in ("grass", "gravel", "brick")
    )
    # Field 1987 (from memory): about 1; close textures without large shapes are flatter.
    assert all(0.5 < one.exponent < 1.4 for one in (grass, gravel, brick))
    plain, scree = (describe(painted(*kind)) for kind in (("scrub", "plain"), ("rock", "scree")))
    assert 0.4 < plain.hardness / grass.hardness < 1.6
    assert 0.5 < scree.hardness / gravel.hardness < 2.5
    assert describe(painted("wall", "plaster")).hardness < brick.hardness


@pytest.mark.parametrize(
    ("name", "kind", "low", "high"),
    [
        ("sky", "soft", 1.3, 2.0),
        ("sky", "hard", 1.2, 2.0),
        ("snow", "rocks", 0.9, 1.5),
        ("scrub", "heath", 0.9, 1.3),
        ("scrub", "gorse", 0.9, 1.4),
        ("rock", "limestone", 0.7, 1.3),
        ("rock", "granite", 0.6, 1.3),
        ("rock", "scree", 0.8, 1.3),
        ("water", "ripples", 1.1, 2.2),
        ("mist", "ridges", 0.8, 1.4),
    ],
)
def test_spectra_fall_as_documented(name, kind, low, high):
    exponents = [spectral_exponent(log_luminance(painted(name, kind, seed=seed))) for seed in range(3)]
    assert low < np.median(exponents) < high


def test_hardness_rises_from_screen_to_gorse():
    def typical(name, kind):
        return np.median([hardness(log_luminance(painted(name, kind, (320, 320), seed))) for seed in range(5)])

    order = [
        ("screen", None),
        ("wall", "plaster"),
        ("sky", "soft"),
        ("rock", "limestone"),
        ("rock", "granite"),
        ("scrub", "heath"),
    ]
    values = [typical(*kind) for kind in order]
    assert values == sorted(values)
    assert typical("mist", "veil") < values[1]
    assert typical("sky", "clear") < 0.004
    assert values[0] < 0.004
    # A shadow of 10 % peak depth is plain on mist and lost in gorse.
    assert typical("scrub", "gorse") > 0.2
    assert typical("snow", "powder") < typical("snow", "rocks")
    assert typical("water", "still") < typical("water", "ripples")


# No repetition


@pytest.mark.parametrize("seed", [1, 2])
def test_laid_noise_does_not_repeat(seed):
    rng = np.random.default_rng(seed)
    noise = field((640, 900), Spectrum(0.5), rng)
    assert whitened_autocorrelation(noise).max() < 0.1
    tiled = np.tile(tile(384, Spectrum(0.5), rng), (2, 3))[:640, :900]
    assert whitened_autocorrelation(tiled).max() > 0.2  # what the test is made to see


def test_a_painted_frame_does_not_repeat():
    log = log_luminance(painted("scrub", "plain", (800, 1200)))
    assert whitened_autocorrelation(log).max() < 0.15


def test_cuttings_keep_variance_and_have_no_seams():
    noise = tile(384, Spectrum(0.8, 40.0), np.random.default_rng(1))
    stack = [Patchwork(noise, overlap=48).fill((400, 420), np.random.default_rng(seed)) for seed in range(150)]
    spread = np.std(stack, axis=0)
    assert spread.mean() == pytest.approx(noise.std(), rel=0.02)
    # The cross-fade keeps the variance everywhere: rows and columns differ by no more than chance.
    assert np.ptp(spread.mean(axis=0)) < 0.15
    assert np.ptp(spread.mean(axis=1)) < 0.15
    steps = np.std(np.diff(stack, axis=2), axis=0).mean(axis=0)
    assert steps.max() < 1.15 * np.median(steps)


@pytest.mark.parametrize("turns", [True, False])
def test_cuttings_laid_in_bands_are_whole_ones_added_up(turns):
    noise = np.random.default_rng(1).standard_normal((96, 128), dtype=np.float32)
    work, shape = Patchwork(noise, stride=48, overlap=16, turns=turns), (151, 205)
    # The rule itself: every cutting of 64² drawn in turn, times sin and cos over 16 samples at its edges, added up.
    draw, fade = np.random.default_rng(7), (np.arange(16) + 0.5) * np.pi / 32
    line = np.concatenate((np.sin(fade), np.ones(32), np.cos(fade)))
    left, far = int(draw.integers(16, 64)), np.arange(64)
    sheet = np.zeros((48 * 6, 48 * 8))
    for top in range(0, 48 * 5, 48):
        for side in range(0, 48 * 6, 48):
            y, x = draw.integers(96), draw.integers(128)
            cutting = noise[np.ix_((y + far) % 96, (x + far) % 128)]
            turned = turns and draw.random() < 0.5
            sheet[top : top + 64, side : side + 64] += np.outer(line, line) * (
                cutting[::-1, ::-1] if turned else cutting
            )
    whole = work.fill(shape, np.random.default_rng(7))
    np.testing.assert_allclose(whole, sheet[48 : 48 + 151, left : left + 205], atol=1e-6)
    laid = work.over(shape, np.random.default_rng(7))
    for parts in ([0, 8, 16, 90, 151], [0, 48, 96, 144, 151], [0, 150, 151]):
        bands = [laid.rows(slice(first, last)) for first, last in itertools.pairwise(parts)]
        assert np.array_equal(np.concatenate(bands), whole)


def test_a_cross_fade_keeps_a_mean_that_is_not_0():
    noise = np.exp(0.3 * tile(128, Spectrum(0.8, 16.0), np.random.default_rng(1)))
    work = Patchwork(noise, stride=48, overlap=16, mean=float(noise.mean()))
    stack = [work.fill((150, 200), np.random.default_rng(seed)) for seed in range(300)]
    # 300 values of spread 0.3 have a mean with a standard error of 0.018.
    assert np.abs(np.mean(stack, axis=0) - noise.mean()).max() < 5 * 0.018
    assert np.std(stack, axis=0).mean() == pytest.approx(noise.std(), rel=0.03)


def test_a_tile_is_periodic_and_the_patchwork_is_not():
    noise = tile(256, Spectrum(1.5, 60.0, 6.0), np.random.default_rng(1))
    assert np.abs(noise[0] - noise[-1]).mean() < 0.3
    laid = Patchwork(noise).fill((256, 256), np.random.default_rng(2))
    assert np.abs(laid[0] - laid[-1]).mean() > 0.6


@pytest.mark.parametrize(("name", "kind"), [("scrub", "plain"), ("rock", "granite"), ("snow", "drifts")])
def test_opposite_edges_of_a_frame_are_not_alike(name, kind):
    def edges(image):
        log = log_luminance(image)
        log -= log.mean()
        return log[0], log[-1], log[1]

    pairs = [edges(painted(name, kind, (300, 500), seed)) for seed in range(16)]
    top, bottom, second = (np.concatenate(part) for part in zip(*pairs, strict=True))
    assert np.corrcoef(top, second)[0, 1] > 0.5
    assert abs(np.corrcoef(top, bottom)[0, 1]) < 0.3


# The canvas


def test_a_plain_canvas_stays_plain_and_a_ramp_straight():
    shape = (401, 333)
    plain = full_size(np.full((3, *canvas_shape(shape)), 0.25, np.float32), shape, np.random.default_rng(0))
    np.testing.assert_allclose(plain, 0.25, rtol=1e-6)
    rows, columns = canvas_shape(shape)
    # Sample k covers pixels 2k and 2k + 1: its centre is at 2k + ½.
    ramp = np.add.outer(2.0 * np.arange(rows) + 0.5, 3.0 * (2.0 * np.arange(columns) + 0.5)).astype(np.float32)
    large = full_size(np.stack([ramp] * 3), shape, np.random.default_rng(0))[..., 1]
    # OpenCV's cubic (a = −¾) moves a ramp to and fro by a tenth of a pixel; the slopes are 1 and 3.
    expected = np.add.outer(np.arange(401.0), 3 * np.arange(333.0))
    np.testing.assert_allclose(large[6:-6, 6:-6], expected[6:-6, 6:-6], atol=0.4)


def test_a_canvas_painted_in_bands_is_the_whole_one():
    shape = (1001, 333)
    planes = np.random.default_rng(2).random((3, *canvas_shape(shape)), dtype=np.float32)
    asked = []

    def rows(part):
        asked.append(part)
        return planes[:, part]

    whole = full_size(planes, shape, np.random.default_rng(0))
    assert np.array_equal(full_size(rows, shape, np.random.default_rng(0)), whole)
    assert len(asked) == 8  # of 128 rows
    assert {row for part in asked for row in range(part.start, part.stop)} == set(range(501))
    assert np.array_equal(in_bands(lambda part: planes[0, part], planes.shape[1:]), planes[0])


def test_neighbours_are_the_same_in_bands():
    # A slope looks one row up and down; at the frame's own edge there is none.
    height = np.random.default_rng(3).random((150, 40), dtype=np.float32)

    def rows(part):
        wide, inner = widened(part, 1, 150)
        return slope(height[wide], 70.0)[inner]

    assert np.array_equal(in_bands(rows, height.shape), slope(height, 70.0))
    assert widened(slice(0, 10), 4, 12) == (slice(0, 12), slice(0, 10))
    assert widened(slice(6, 10), 4, 20) == (slice(2, 14), slice(4, 8))


def test_texture_multiplies_by_a_lognormal_of_the_amount_asked():
    shape = (400, 500)
    noise = tile(384, Spectrum(0.5, 20.0), np.random.default_rng(4))
    planes = np.full((4, *canvas_shape(shape)), 0.5, np.float32)
    planes[3] = 0.0
    planes[3, :, 125:] = 0.2
    light = full_size(planes, shape, np.random.default_rng(5), Texture(Patchwork(noise, overlap=32), None))
    log = np.log(light[..., 0] / 0.5)
    np.testing.assert_allclose(log[:, :240], 0, atol=1e-5)
    assert log[:, 260:].std() == pytest.approx(0.2, rel=0.08)


def test_points_keep_their_light_and_place():
    frame = np.zeros((40, 50, 3), np.float32)
    add_points(frame, np.array([20.3]), np.array([10.6]), np.float32([[2.0, 1.0, 0.5]]), sigma_px=0.7)
    assert frame.sum(axis=(0, 1)) == pytest.approx([2, 1, 0.5], rel=0.01)
    x = (frame[..., 0] * np.arange(50)).sum() / frame[..., 0].sum()
    assert x == pytest.approx(20.3, abs=0.01)
    add_points(frame, np.array([-9.0, 49.4]), np.array([5.0, 39.4]), np.float32([[1.0], [1.0]]), sigma_px=0.7)
    assert frame[39, 49, 0] > 0.1  # cut at the corner, and the one outside left out


def test_cells_are_those_of_a_poisson_process():
    # P(distance > r) = exp(−πr²), r in spacings: the median is √(ln 2/π) = 0.4697.
    distance = cell_distance((600, 600), 14.0, np.random.default_rng(6))
    assert np.median(distance) == pytest.approx(math.sqrt(math.log(2) / math.pi), abs=0.03)
    assert (distance > 1).mean() == pytest.approx(math.exp(-math.pi), abs=0.02)
