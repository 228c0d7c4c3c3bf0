import hashlib
import itertools
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy import fft, ndimage

from moteyard.generators.backgrounds import BACKGROUNDS, Background, PhotographFolder, Screen, Sky, make
from moteyard.generators.backgrounds.bent import bent_field
from moteyard.generators.backgrounds.noise import Spectrum, field
from moteyard.generators.backgrounds.raster import Enlargement, blur, slope, smoothstep
from moteyard.generators.transfer import decode

PHOTOS = Path(__file__).parents[1] / "photos"
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)
KINDS = [
    ("sky", "clear"),
    ("sky", "soft"),
    ("sky", "hard"),
    ("snow", "drifts"),
    ("snow", "sparkle"),
    ("snow", "shade"),
    ("snow", "powder"),
    ("snow", "crust"),
    ("snow", "rocks"),
    ("scrub", "heath"),
    ("scrub", "plain"),
    ("scrub", "gorse"),
    ("rock", "limestone"),
    ("rock", "granite"),
    ("rock", "scree"),
    ("water", "still"),
    ("water", "ripples"),
    ("water", "glints"),
    ("mist", "veil"),
    ("mist", "ridges"),
    ("night", "stars"),
    ("night", "glow"),
    ("wall", "plaster"),
    ("wall", "concrete"),
    ("screen", None),
]
PAINTED = tuple(dict.fromkeys(name for name, _ in KINDS))
SHAPE = (96, 128)


def build(name, kind):
    return make(name, {"kind": kind} if kind else {})


def painted(background, shape=SHAPE, seed=1):
    return background.paint(shape, np.random.default_rng(seed))


def log_luminance(linear):
    return np.log(np.maximum(linear @ LUMINANCE, 1e-4))


def spectral_exponent(image, low=4 / 256, high=0.4):
    """Exponent of the amplitude spectrum: Hann-windowed tiles, octave-spaced bins, equal weight an octave."""
    n = 256
    window = np.hanning(n)[:, None] * np.hanning(n)
    power = np.zeros((n, n))
    for y in range(0, image.shape[0] - n + 1, n // 2):
        for x in range(0, image.shape[1] - n + 1, n // 2):
            tile = image[y : y + n, x : x + n]
            power += np.abs(fft.fft2((tile - tile.mean()) * window)) ** 2
    f = np.hypot(fft.fftfreq(n)[:, None], fft.fftfreq(n))
    edges = np.geomspace(low, high, 12)
    rings = [(f >= a) & (f < b) for a, b in itertools.pairwise(edges)]
    x = [np.log(f[ring].mean()) for ring in rings]
    y = [np.log(power[ring].mean()) for ring in rings]
    return -np.polyfit(x, y, 1)[0] / 2


def hardness(linear):
    """Median over 64-pixel tiles of the spread of log luminance at shadow scale (blurs of 4 less 16 px)."""
    log = log_luminance(linear)
    band = ndimage.gaussian_filter(log, 4) - ndimage.gaussian_filter(log, 16)
    h, w = band.shape[0] // 64, band.shape[1] // 64
    return np.median(band[: h * 64, : w * 64].reshape(h, 64, w, 64).std(axis=(1, 3)))


@pytest.mark.parametrize("exponent", [0.0, 0.5, 1.0, 1.5, 2.0])
def test_field_has_the_exponent_asked_for(exponent):
    image = field((512, 640), Spectrum(exponent), np.random.default_rng(3))
    assert spectral_exponent(image) == pytest.approx(exponent, abs=0.08)


@pytest.mark.parametrize(
    "spectrum",
    [
        Spectrum(0.0),
        Spectrum(1.0, 40.0),
        Spectrum(1.5, 60.0, 8.0),
        Spectrum(1.0, 60.0, 2.0, 4.0, 30.0),
        Spectrum(2, 50, 32),
    ],
)
def test_field_has_unit_variance_and_no_mean(spectrum):
    # About (800/60)² = 180 independent patches: the standard error of the variance is about 0.1 at most.
    image = field((800, 801), spectrum, np.random.default_rng(5))
    assert image.dtype == np.float32
    assert image.mean() == pytest.approx(0, abs=0.15)
    assert image.std() == pytest.approx(1, abs=0.1)


def test_field_leaves_out_waves_finer_than_asked():
    image = field((256, 256), Spectrum(0.0, None, 16.0), np.random.default_rng(5))
    power = np.abs(fft.fft2(image * np.hanning(256)[:, None] * np.hanning(256))) ** 2
    f = np.hypot(fft.fftfreq(256)[:, None], fft.fftfreq(256))
    # At half the finest wave the amplitude is down to e⁻⁴, the power to 3e-4.
    assert power[f > 1 / 8].mean() < 1e-3 * power[f < 1 / 32].mean()


def test_stretched_field_is_longest_in_the_direction_asked():
    image = field((400, 400), Spectrum(1.5, 40.0, 2.0, 4.0, 45.0), np.random.default_rng(2))
    # 45° counter-clockwise from x, with y down, runs from bottom left to top right.
    along = np.mean((image[:-3, 3:] - image[3:, :-3]) ** 2)
    across = np.mean((image[3:, 3:] - image[:-3, :-3]) ** 2)
    assert across > 2 * along


@pytest.mark.parametrize("exponent", [1.0, 2.0])
def test_opposite_edges_are_not_alike(exponent):
    rng = np.random.default_rng(4)
    images = [field((200, 201), Spectrum(exponent, 120.0), rng) for _ in range(40)]
    rows = np.mean([image[0] * image[-1] for image in images])
    columns = np.mean([image[:, 0] * image[:, -1] for image in images])
    neighbours = np.mean([image[0] * image[1] for image in images])
    # A periodic field would have the neighbours' correlation, near 1, across the seam.
    assert neighbours > 0.7
    assert abs(rows) < 0.2
    assert abs(columns) < 0.2


def test_long_waves_do_not_come_round_in_a_wide_frame():
    rng = np.random.default_rng(4)
    images = [field((40, 1000), Spectrum(2.0, 800.0), rng) for _ in range(60)]
    assert abs(np.mean([image[:, 0] * image[:, -1] for image in images])) < 0.3


def test_the_grid_of_the_long_waves_does_not_show_in_the_slope():
    image = field((512, 512), Spectrum(2.6, 500.0, 48.0), np.random.default_rng(6))
    tilt = slope(image, 90.0)
    spectrum = np.abs(fft.rfft(tilt.mean(axis=1) * np.hanning(512))) ** 2
    f = fft.rfftfreq(512)
    # The field lies on a grid of 8 px, its long waves on one of 64.
    assert spectrum[np.abs(f - 1 / 8) < 0.01].max() < 1e-5 * spectrum.max()


@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (5, 300), (33, 9)])
def test_fields_come_in_any_shape(shape):
    rng = np.random.default_rng(0)
    assert field(shape, Spectrum(1.0), rng).shape == shape
    assert bent_field(shape, Spectrum(2.0, None, 48.0), rng, bend_px=100.0).shape == shape


def test_enlarging_keeps_samples_and_planes():
    small = np.add.outer(2.0 * np.arange(9), 3.0 * np.arange(11)).astype(np.float32)
    large = Enlargement.through(small, 4).rows(slice(0, 4 * len(small)))
    assert large.shape == (36, 44)
    # The edge is mirrored: a kink, which the spline rounds off by what falls to a quarter with every sample.
    np.testing.assert_allclose(large[::4, ::4][3:-3, 3:-3], small[3:-3, 3:-3], atol=5e-3)
    np.testing.assert_allclose(np.diff(large[16, 16:28]), 3 / 4, atol=0.01)


def test_slope_of_a_plane_and_ends_of_smoothstep():
    plane = np.add.outer(-2.0 * np.arange(8), 3.0 * np.arange(8)).astype(np.float32)
    np.testing.assert_allclose(slope(plane, 0.0), 3.0, atol=1e-5)
    np.testing.assert_allclose(slope(plane, 90.0), 2.0, atol=1e-5)  # up is towards smaller y
    np.testing.assert_allclose(smoothstep(np.float32([-1, 0, 0.5, 1, 2]), 0.0, 1.0), [0, 0, 0.5, 1, 1])


@pytest.mark.parametrize("sigma", [3.0, 8.0, 20.0])
def test_blur_spreads_a_point_into_a_gaussian(sigma):
    image = np.zeros((301, 299), np.float32)
    image[150, 140] = 1
    image = blur(image, sigma)
    x = np.arange(299)[None, :]
    assert image.sum() == pytest.approx(1, abs=0.01)
    assert (image * x).sum() / image.sum() == pytest.approx(140, abs=0.3 * sigma)  # one coarse sample at most
    variance = (image * (x - 140.0) ** 2).sum() / image.sum()
    assert np.sqrt(variance) == pytest.approx(sigma, rel=0.05)
    assert image[150, 140] == pytest.approx(1 / (2 * np.pi * sigma**2), rel=0.08)


@pytest.mark.parametrize(("name", "kind"), KINDS)
@pytest.mark.parametrize("shape", [(65, 97), (128, 64)])
def test_backgrounds_keep_the_contract(name, kind, shape):
    background = build(name, kind)
    image = painted(background, shape)
    assert isinstance(background, Background)
    assert image.shape == (*shape, 3)
    assert image.dtype == np.float32
    assert np.isfinite(image).all()
    assert image.min() >= 0
    assert np.percentile(image, 95) < 0.95
    np.testing.assert_array_equal(image, painted(background, shape))
    assert not np.array_equal(image, painted(background, shape, seed=2))


def test_another_process_paints_the_same_bits():
    code = (
        "import hashlib, numpy as np\n"
        "from moteyard.generators.backgrounds import make\n"
        f"for name in {PAINTED}:\n"
        f"    image = make(name).paint({SHAPE}, np.random.default_rng(1))\n"
        "    print(hashlib.sha256(image.tobytes()).hexdigest())\n"
    )
    there = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    here = [hashlib.sha256(painted(make(name)).tobytes()).hexdigest() for name in PAINTED]
    assert there.stdout.split() == here


def test_importing_the_backgrounds_is_cheap():
    code = (
        "import sys, moteyard.generators.backgrounds\n"
        "print([m for m in ('cv2', 'scipy', 'PIL', 'tifffile', 'skimage') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_sky_is_harder_than_a_screen_snow_than_sky_and_scrub_than_snow():
    def typical(name, kinds):
        images = [painted(build(name, kind), (320, 320), seed) for kind in kinds for seed in range(4)]
        return np.median([hardness(image) for image in images])

    screen = typical("screen", [None])
    sky = typical("sky", ["clear", "soft", "hard"])
    snow = typical("snow", ["drifts", "sparkle", "shade"])
    plain, heath = typical("scrub", ["plain"]), typical("scrub", ["heath"])
    assert screen < sky < snow < plain < heath
    # A shadow 5…30 % deep must drown: its peak is at most one or two standard deviations of the heath.
    assert heath > 0.2
    assert screen < 0.003


@pytest.mark.parametrize(("kind", "low", "high"), [("heath", 0.9, 1.3), ("plain", 0.8, 1.2)])
def test_scrub_has_the_spectrum_of_natural_scenes(kind, low, high):
    # Field 1987: about 1. Real pasture, shrubs, larches and stream measured the same way: 0.93…1.16.
    image = painted(build("scrub", kind), (512, 512))
    assert low < spectral_exponent(log_luminance(image), high=0.25) < high


def test_clear_sky_is_blue_and_paler_towards_the_horizon():
    for seed in range(6):
        image = painted(Sky("clear"), (200, 300), seed)
        top, bottom = image[:10].mean(axis=(0, 1)), image[-10:].mean(axis=(0, 1))
        assert top[2] > top[1] > top[0]
        assert bottom.sum() > top.sum()
        assert bottom[0] / bottom[2] > top[0] / top[2]
        assert np.abs(np.diff(image, axis=0)).max() < 0.02  # smooth: no step between rows


def test_cumulus_has_edges_that_soft_cloud_lacks():
    def steepest(kind):
        image = painted(Sky(kind), (400, 600), seed=3) @ LUMINANCE
        return np.percentile(np.abs(np.diff(image, axis=1)), 99.5)

    assert steepest("hard") > 2 * steepest("soft")


def test_shaded_snow_is_bluer_than_sunlit_snow():
    image = painted(build("snow", "shade"), (400, 600), seed=2)
    light = image @ LUMINANCE
    dark, bright = image[light < 0.4].mean(axis=0), image[light > 0.55].mean(axis=0)
    assert dark[2] > 1.2 * dark[0]
    assert bright[0] > 0.95 * bright[2]


def test_sparkle_is_few_small_and_bright():
    image = painted(build("snow", "sparkle"), (400, 600), seed=2) @ LUMINANCE
    glints = image > 1.25 * ndimage.median_filter(image, 5)
    assert 1e-5 < glints.mean() < 5e-3
    _, count = ndimage.label(glints, np.ones((3, 3)))
    assert glints.sum() / count <= 6


def test_screen_marks_move_but_are_faint():
    first, second = (painted(Screen(marks=30.0), (300, 400), seed) for seed in (1, 2))
    assert 0.35 < np.median(first) < 0.75

    def marks(image):
        log = log_luminance(image)
        return ndimage.gaussian_filter(log, 6) - ndimage.gaussian_filter(log, 30)

    inner = (slice(60, -60), slice(60, -60))
    a, b = marks(first)[inner].ravel(), marks(second)[inner].ravel()
    assert abs(np.corrcoef(a, b)[0, 1]) < 0.5
    assert 1e-4 < a.std() < 0.02


def test_screen_without_marks_darkens_towards_a_corner():
    image = painted(Screen(marks=0.0), (300, 400)) @ LUMINANCE
    corners = [image[:9, :9], image[:9, -9:], image[-9:, :9], image[-9:, -9:]]
    assert min(corner.mean() for corner in corners) < 0.97 * image[140:160, 190:210].mean()


def test_register_names_its_neighbours():
    assert list(BACKGROUNDS) == [*PAINTED, "photograph"]
    with pytest.raises(ValueError, match=r"unknown background 'snou'; did you mean 'snow'\? known are sky, snow"):
        make("snou")
    with pytest.raises(ValueError, match=r"unknown option of sky 'knd'; did you mean 'kind'\? known are kind"):
        make("sky", {"knd": "clear"})
    with pytest.raises(ValueError, match=r"photograph needs the option folder"):
        make("photograph")
    with pytest.raises(ValueError, match=r"scrub knows no kind 'bog'; known are heath, plain, gorse, mixed"):
        make("scrub", {"kind": "bog"})
    with pytest.raises(ValueError, match=r"marks must be from 0 to 1000, not -1"):
        make("screen", {"marks": -1})


# Photographs


def save_grey(folder, name, shape, code=128):
    Image.fromarray(np.full((*shape, 3), code, np.uint8)).save(folder / name)


def test_folder_cuts_without_touching_the_light(tmp_path):
    save_grey(tmp_path, "a.png", (120, 150))
    image = painted(PhotographFolder(str(tmp_path), exposure=1.0))
    assert image.shape == (96, 128, 3)
    np.testing.assert_allclose(image, 0.215861, atol=1e-6)  # code 128 in linear light, IEC 61966-2-1


def test_twice_as_large_is_halved_in_linear_light(tmp_path):
    board = np.zeros((200, 260, 3), np.uint8)
    board[::2, ::2] = board[1::2, 1::2] = 255
    Image.fromarray(board).save(tmp_path / "board.png")
    image = painted(PhotographFolder(str(tmp_path), exposure=1.0))
    np.testing.assert_allclose(image, 0.5, atol=1e-6)  # code 188 and not 128: mean of light, not of codes


def test_cuttings_lie_anywhere_and_repeat_with_the_seed(tmp_path):
    ramp = np.broadcast_to(np.arange(250, dtype=np.uint8)[None, :, None], (150, 250, 3))
    Image.fromarray(np.ascontiguousarray(ramp)).save(tmp_path / "ramp.png")
    folder = PhotographFolder(str(tmp_path), encoding="linear", exposure=1.0)
    lefts = {round(float(painted(folder, seed=seed)[0, 0, 0]) * 255) for seed in range(30)}
    assert min(lefts) < 30
    assert max(lefts) > 90
    np.testing.assert_array_equal(painted(folder, seed=7), painted(folder, seed=7))


def test_one_picture_can_be_pinned(tmp_path):
    for code, name in ((50, "b.png"), (100, "a.jpg"), (200, "c.PNG")):
        save_grey(tmp_path, name, SHAPE, code)
    (tmp_path / "notes.txt").write_text("no picture")
    folder = PhotographFolder(str(tmp_path), encoding="linear", exposure=1.0)
    assert folder.sources() == ("a.jpg", "b.png", "c.PNG")
    assert {round(float(painted(folder, seed=s)[0, 0, 0]) * 255) for s in range(20)} == {50, 100, 200}
    pinned = make("photograph", {"folder": str(tmp_path), "file": "c.PNG", "encoding": "linear"})
    assert pinned.sources() == ("c.PNG",)
    np.testing.assert_allclose(painted(pinned), 200 / 255 * 0.9, atol=1e-6)


def test_folder_errors_say_what_to_do(tmp_path):
    with pytest.raises(FileNotFoundError, match=r"there is no folder .*nowhere"):
        painted(PhotographFolder(str(tmp_path / "nowhere")))
    with pytest.raises(FileNotFoundError, match=r"holds no picture \(JPEG, PNG, TIFF or HEIC\); add some"):
        painted(PhotographFolder(str(tmp_path)))
    save_grey(tmp_path, "small.png", (50, 400))
    with pytest.raises(ValueError, match=r"small.png is 400×50, smaller than the frame of 128×96; remove it"):
        painted(PhotographFolder(str(tmp_path)))
    with pytest.raises(FileNotFoundError, match=r"holds no picture 'big.png'"):
        painted(PhotographFolder(str(tmp_path), file="big.png"))
    (tmp_path / "small.png").write_bytes(b"no picture at all")
    with pytest.raises(ValueError, match=r"small.png is not a picture"):
        painted(PhotographFolder(str(tmp_path)))
    with pytest.raises(ValueError, match=r"unknown encoding 'gamma'; known are srgb, linear"):
        PhotographFolder(str(tmp_path), encoding="gamma")
    with pytest.raises(ValueError, match=r"exposure must be above 0 and at most 1, not 2"):
        PhotographFolder(str(tmp_path), exposure=2)


def test_real_photographs_are_backgrounds():
    folder = PhotographFolder(str(PHOTOS))
    assert folder.sources() == ("lake-snow.jpg", "limestone.jpg", "pasture.jpg", "tea-shrubs.jpg")
    for name in folder.sources():
        image = painted(PhotographFolder(str(PHOTOS), file=name), (260, 300))
        assert image.shape == (260, 300, 3)
        assert 0.02 < np.median(image) < 0.8
        assert 0.8 < spectral_exponent(log_luminance(image), high=0.25) < 1.6
    assert "limestone.jpg" in (PHOTOS / "CREDITS.md").read_text(encoding="utf-8")


def test_painted_scrub_is_about_as_hard_as_real_pasture_and_rock():
    real = [
        hardness(decode(np.asarray(Image.open(PHOTOS / f"{name}.jpg")), "srgb")) for name in ("pasture", "limestone")
    ]
    plain = hardness(painted(build("scrub", "plain"), (320, 320)))
    heath = hardness(painted(build("scrub", "heath"), (320, 320)))
    assert plain > 0.7 * min(real)
    assert heath < 3 * max(real)


def test_pictures_that_come_with_scikit_image(tmp_path):
    import skimage

    shipped = Path(skimage.__file__).parent / "data"
    for name in ("grass.png", "gravel.png", "brick.png", "rocket.jpg"):
        (tmp_path / name).write_bytes((shipped / name).read_bytes())
    folder = PhotographFolder(str(tmp_path))
    for seed in range(4):
        image = painted(folder, (200, 250), seed)
        assert image.std() > 0.01
    grass = hardness(painted(PhotographFolder(str(tmp_path), file="grass.png"), (250, 250)))
    assert grass > 10 * hardness(painted(Sky("clear"), (250, 250)))
