"""What the camera does between light and file, against numbers known without it."""

import dataclasses
import io
import math
import subprocess
import sys

import cv2
import numpy as np
import pytest
from PIL import Image, JpegImagePlugin

from moteyard.generators.camera import Camera
from moteyard.generators.camera_presets import PRESETS, preset
from moteyard.generators.finishing import reduce_noise, sharpen
from moteyard.generators.jpeg import CHROMA, jpeg_bytes, through_jpeg
from moteyard.generators.lens_shading import lens_shading
from moteyard.generators.mosaic import METHODS, demosaic, mosaic

SIDE = 64
QUIET = Camera(width_px=SIDE, height_px=SIDE, full_well_e=1e9, read_noise_e=0, adc_bits=16, bits=16, encoding="linear")


def rng():
    return np.random.default_rng(11)


def flat(level, side=SIDE):
    return np.full((side, side, 3), level, np.float32)


def spot(x, y, sigma=3.0):
    columns, rows = np.arange(SIDE), np.arange(SIDE)[:, None]
    light = 0.6 * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * sigma**2))
    return np.repeat(light[..., None], 3, axis=2).astype(np.float32)


def centroid(plane):
    return [float((plane * grid).sum() / plane.sum()) for grid in np.meshgrid(np.arange(SIDE), np.arange(SIDE))]


# The bits of the plain camera


# Digests of the pixels that the camera gave before it learnt any processing, on numpy 2.4.
@pytest.mark.parametrize(
    ("fields", "digest"),
    [
        ({}, "a418c0e0c5ae045e"),
        ({"bits": 16}, "115df062a8aa791c"),
        ({"bits": 16, "encoding": "linear"}, "4f9cb52d95dda892"),
        ({"iso": 1600.0}, "e8f9a426d48851ad"),
        ({"adc_bits": 12}, "4bfed839e4ae764b"),
    ],
)
def test_the_plain_camera_keeps_its_bits(fields, digest):
    import hashlib

    light = np.linspace(-0.1, 1.2, 60 * 70 * 3, dtype=np.float32).reshape(60, 70, 3)
    pixels = Camera(width_px=70, height_px=60, **fields).expose(light, np.random.default_rng(5))
    assert hashlib.sha256(pixels.tobytes()).hexdigest()[:16] == digest


@pytest.mark.parametrize("name", PRESETS)
def test_strips_do_not_show(name, monkeypatch):
    camera = Camera(**{**preset(name), "width_px": 90, "height_px": 300, "jpeg_quality": None})
    light = np.random.default_rng(2).random((300, 90, 3), dtype=np.float32)
    monkeypatch.setattr("moteyard.generators.camera.STRIP_PX", 1)
    strips = camera.expose(light, rng()).astype(int)
    for constant in ("STRIP_ROWS", "FINISHED_ROWS"):
        monkeypatch.setattr(f"moteyard.generators.camera.{constant}", 1000)
    whole = camera.expose(light, rng()).astype(int)
    # OpenCV's bilateral filter tabulates its weights over the range of values in a strip: one code of 255.
    assert np.abs(strips - whole).max() <= (1 if camera.noise_reduction else 0)


@pytest.mark.parametrize("name", PRESETS)
def test_the_same_bits_in_another_process(name):
    import hashlib

    code = (
        "import sys, hashlib, numpy as np; from moteyard.generators.camera import Camera; "
        "from moteyard.generators.camera_presets import preset; "
        "light = np.linspace(0, 1, 48 * 64 * 3, dtype=np.float32).reshape(48, 64, 3); "
        "camera = Camera(width_px=64, height_px=48, **preset(sys.argv[1])); "
        "print(hashlib.sha256(camera.expose(light, np.random.default_rng(3)).tobytes()).hexdigest())"
    )
    there = subprocess.run([sys.executable, "-c", code, name], capture_output=True, text=True, check=True)
    light = np.linspace(0, 1, 48 * 64 * 3, dtype=np.float32).reshape(48, 64, 3)
    pixels = Camera(width_px=64, height_px=48, **preset(name)).expose(light, np.random.default_rng(3))
    assert there.stdout.strip() == hashlib.sha256(pixels.tobytes()).hexdigest()


# Mosaic


@pytest.mark.parametrize("method", METHODS)
def test_demosaicing_is_opencvs_of_red_first(method):
    plane = np.random.default_rng(1).integers(0, 65536, (32, 40), dtype=np.uint16)
    suffix = "_EA" if method == "edge-aware" else ""
    # By the name that says the pattern, where this OpenCV has it; the code is the one of the old name.
    code = getattr(cv2, f"COLOR_BayerRGGB2RGB{suffix}")
    np.testing.assert_array_equal(demosaic(plane, method), cv2.cvtColor(plane, code))


@pytest.mark.parametrize("method", METHODS)
def test_photosites_keep_their_colour_and_their_place(method):
    light = np.random.default_rng(1).random((32, 40, 3)).astype(np.float32)
    plane = np.rint(mosaic(light) * 60000).astype(np.uint16)
    full = demosaic(plane, method)
    inner = np.s_[2:-2, 2:-2]
    for channel, (row, column) in ((0, (0, 0)), (1, (0, 1)), (1, (1, 0)), (2, (1, 1))):
        measured = plane[inner][row::2, column::2]
        np.testing.assert_array_equal(full[inner][row::2, column::2, channel], measured)
        expected = np.rint(light[inner][row::2, column::2, channel] * 60000)
        np.testing.assert_array_equal(measured, expected)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("place", [(31.0, 30.0), (30.0, 30.0), (30.5, 31.25)])
def test_a_spot_does_not_move_in_any_colour(method, place):
    camera = dataclasses.replace(QUIET, demosaic=method)
    pixels = camera.expose(spot(*place), rng()).astype(float)
    for channel in range(3):
        assert centroid(pixels[..., channel]) == pytest.approx(place, abs=0.02)  # half a pixel would be 0.5


def test_bilinear_halves_the_noise_of_colours_filled_in():
    # The mean of four independent photosites has half their standard deviation, of two 0.71 of it.
    camera = Camera(width_px=400, height_px=400, demosaic="bilinear", bits=16, encoding="linear")
    red = camera.expose(flat(0.5, 400), rng())[8:-8, 8:-8, 0].astype(float)
    measured, diagonal, beside = red[0::2, 0::2].std(), red[1::2, 1::2].std(), red[0::2, 1::2].std()
    assert diagonal / measured == pytest.approx(0.5, abs=0.02)
    assert beside / measured == pytest.approx(math.sqrt(0.5), abs=0.02)


@pytest.mark.parametrize("method", ["none", *METHODS])
def test_photon_transfer_of_photosites(method):
    # EMVA 1288 (from memory): the variance of flat frames rises by K a DN. Green photosites are untouched.
    camera = Camera(
        width_px=300, height_px=300, full_well_e=20_000, read_noise_e=5, demosaic=method, bits=16,
        encoding="linear", red_gain=2.0 if method != "none" else 1.0,
    )  # fmt: skip
    stream, means, variances = rng(), [], []
    for level in np.linspace(0.05, 0.8, 8):
        pair = [camera.expose(flat(level, 300), stream)[8:-8:2, 9:-8:2, 1].astype(float) for _ in range(2)]
        means.append(np.mean(pair) * camera.top / 65535)
        variances.append(np.var(pair[0] - pair[1]) / 2 * (camera.top / 65535) ** 2)
    slope, _ = np.polyfit(means, variances, 1)
    assert slope == pytest.approx(camera.gain, rel=0.03)


def test_a_mosaic_needs_neighbours():
    with pytest.raises(ValueError, match=r"at least 4 photosites each way, not \(2, 9\)"):
        demosaic(np.zeros((2, 9), np.uint16), "bilinear")
    with pytest.raises(ValueError, match="unknown method 'magic'; known are bilinear, edge-aware"):
        demosaic(np.zeros((8, 9), np.uint16), "magic")


# White balance and falloff


def test_white_stays_white_and_red_gets_noisier():
    # Half the electrons have 1/√2 of the noise; doubled that is √2 of green's, whose electrons are all there.
    camera = Camera(width_px=400, height_px=400, read_noise_e=0, red_gain=2.0, bits=16, encoding="linear")
    pixels = camera.expose(flat(0.4, 400), rng()).astype(float) / 65535
    assert pixels.mean(axis=(0, 1)) == pytest.approx([0.4] * 3, rel=1e-3)
    assert pixels[..., 0].std() / pixels[..., 1].std() == pytest.approx(math.sqrt(2), rel=0.02)
    assert (Camera(red_gain=2.0).expose(flat(1.5), rng()) == 255).all()


def test_falloff_is_the_fourth_power_of_the_cosine():
    # tan 30° at the corner: cos⁴ = 0.5625. Half-way there u is half of tan 30°: 1/(1 + 1/12)² = 0.852071.
    fall = lens_shading((301, 401), 1 - 0.5625, rows=(0, 301), columns=(0, 401))[..., 0]
    assert fall[150, 200] == 1
    assert fall[0, 0] == pytest.approx(0.5625, abs=1e-6)
    assert fall[-1, 0] == fall[0, -1] == fall[0, 0]
    assert fall[75, 100] == pytest.approx(0.852071, abs=1e-6)
    np.testing.assert_array_equal(lens_shading((301, 401), 0.0, rows=(0, 301), columns=(0, 401)), 1)


def test_a_part_of_the_frame_lies_where_it_is_said_to():
    camera = dataclasses.replace(QUIET, falloff=0.5)
    whole = camera.expose(flat(0.5), rng())
    part = camera.expose(flat(0.5)[40:, 10:30], rng(), origin=(40, 10))
    assert np.abs(whole[40:, 10:30].astype(int) - part).max() < 20
    assert np.abs(whole[40:, 10:30].astype(int) - camera.expose(flat(0.5)[40:, 10:30], rng())).max() > 1000


def test_correcting_the_falloff_lifts_the_noise_of_the_corners():
    # A quarter of the light has half the noise; four times that is twice the noise of the middle.
    fields = {"width_px": 400, "height_px": 400, "read_noise_e": 0, "falloff": 0.75, "bits": 16, "encoding": "linear"}
    pixels = Camera(falloff_corrected=True, **fields).expose(flat(0.4, 400), rng()).astype(float)
    middle, corner = pixels[190:210, 190:210], np.concatenate([pixels[:12, :12], pixels[-12:, -12:]])
    assert corner.mean() == pytest.approx(middle.mean(), rel=0.003)
    assert corner.std() / middle.std() == pytest.approx(2.0, abs=0.2)
    dark = Camera(**fields).expose(flat(0.4, 400), rng()).astype(float)
    assert dark[0, 0].mean() / dark[200, 200].mean() == pytest.approx(0.25, abs=0.02)


# Finishing


@pytest.mark.parametrize("frequency", [1 / 32, 1 / 8, 1 / 4])
def test_sharpening_raises_each_frequency_by_the_law(frequency):
    amount, radius = 0.8, 1.2
    wave = 0.5 + 0.1 * np.cos(2 * np.pi * frequency * np.arange(256))
    picture = np.repeat(np.broadcast_to(wave, (64, 256))[..., None], 3, axis=2).astype(np.float32)
    line = sharpen(picture, amount, radius_px=radius)[32, 32:-32, 1]
    expected = 1 + amount * (1 - math.exp(-2 * (math.pi * radius * frequency) ** 2))
    assert np.ptp(line) / np.ptp(wave[32:-32]) == pytest.approx(expected, abs=0.01)
    assert line.mean() == pytest.approx(0.5, abs=1e-3)


def test_sharpening_moves_the_colours_together():
    picture = np.random.default_rng(4).random((32, 32, 3)).astype(np.float32)
    step = sharpen(picture, 1.0, radius_px=1.0) - picture
    np.testing.assert_allclose(step[..., 0], step[..., 2], atol=1e-5)
    np.testing.assert_allclose(sharpen(flat(0.3), 2.0, radius_px=1.5), 0.3, atol=1e-6)


def test_noise_goes_down_and_edges_stay():
    step = np.where(np.arange(128) < 64, 0.3, 0.6)[None, :, None] * np.ones((128, 1, 3))
    noisy = (step + 0.01 * np.random.default_rng(6).standard_normal(step.shape)).astype(np.float32)
    smooth = reduce_noise(noisy, 0.03)
    assert smooth[8:-8, 8:50].std() < 0.45 * noisy[8:-8, 8:50].std()
    assert smooth[:, 56:62].mean() == pytest.approx(0.3, abs=0.005)
    assert smooth[:, 66:72].mean() == pytest.approx(0.6, abs=0.005)


def test_strength_is_in_units_of_the_cameras_own_noise():
    camera = Camera(width_px=300, height_px=300, iso=1600, bits=16)
    plain = camera.expose(flat(0.18, 300), rng()).astype(float) / 65535
    assert plain[..., 1].std() == pytest.approx(camera.grey_noise, rel=0.02)
    noise = [
        (dataclasses.replace(camera, noise_reduction=s).expose(flat(0.18, 300), rng()) / 65535.0)[..., 1].std()
        for s in (0, 1, 3)
    ]
    assert noise[0] > 1.5 * noise[1] > 1.5 * noise[2]


def test_noise_reduction_leaves_the_shadow_of_dust():
    columns, rows = np.meshgrid(np.arange(SIDE), np.arange(SIDE))
    shadow = 1 - 0.1 * np.exp(-((columns - 32) ** 2 + (rows - 32) ** 2) / (2 * 5.0**2))
    light = (0.4 * shadow[..., None] * np.ones(3)).astype(np.float32)
    camera = Camera(width_px=SIDE, height_px=SIDE, bits=16, noise_reduction=3.0)
    before = dataclasses.replace(QUIET, encoding="srgb").expose(light, rng()).astype(float)
    after = camera.expose(light, rng()).astype(float)
    depth = [1 - p[30:35, 30:35].mean() / p[2:8].mean() for p in (before, after)]
    assert depth[1] == pytest.approx(depth[0], rel=0.1)


# JPEG


# What Pillow says of the file: 0, 1, 2 stand for 4:4:4, 4:2:2, 4:2:0.
@pytest.mark.parametrize(("chroma", "said"), [("4:4:4", 0), ("4:2:2", 1), ("4:2:0", 2)])
def test_chroma_sampling_of_the_file(chroma, said):
    data = jpeg_bytes(np.random.default_rng(0).integers(0, 256, (64, 64, 3), dtype=np.uint8), 90, chroma=chroma)
    with Image.open(io.BytesIO(data)) as picture:
        assert JpegImagePlugin.get_sampling(picture) == said


def test_smaller_colour_is_a_smaller_file_with_a_larger_error():
    pixels = np.random.default_rng(0).integers(0, 256, (128, 128, 3), dtype=np.uint8)
    sizes = [len(jpeg_bytes(pixels, 90, chroma=chroma)) for chroma in CHROMA]
    errors = [np.abs(through_jpeg(pixels, 90, chroma=chroma).astype(int) - pixels).mean() for chroma in CHROMA]
    assert sizes[0] > sizes[1] > sizes[2]
    assert errors[0] < errors[1] < errors[2]
    assert len(jpeg_bytes(pixels, 95)) > len(jpeg_bytes(pixels, 60))
    with pytest.raises(ValueError, match="unknown chroma sampling '4:1:1'; known are 4:4:4, 4:2:2, 4:2:0"):
        jpeg_bytes(pixels, 90, chroma="4:1:1")


def test_the_camera_uses_its_chroma():
    light = np.random.default_rng(0).random((SIDE, SIDE, 3), dtype=np.float32)
    full, small = (
        Camera(width_px=SIDE, height_px=SIDE, jpeg_quality=92, jpeg_chroma=c).expose(light, rng())
        for c in ("4:4:4", "4:2:0")
    )
    assert np.abs(full.astype(int) - small).mean() > 5


# Refusals


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"demosaic": "vng"}, "demosaic must be one of none, bilinear, edge-aware, not 'vng'"),
        ({"red_gain": 0.5}, "red_gain must be a number of at least 1, not 0.5"),
        ({"blue_gain": math.inf}, "blue_gain must be a number of at least 1, not inf"),
        ({"falloff": 1.0}, "falloff must be at least 0 and below 1, not 1.0"),
        ({"sharpening": -1}, "sharpening must be 0 to 10, not -1"),
        ({"noise_reduction": math.nan}, "noise_reduction must be 0 to 10, not nan"),
        ({"sharpening_px": 0}, "sharpening_px must be 0.3 to 10, not 0"),
        ({"sharpening": 1, "encoding": "linear"}, "noise_reduction and sharpening need encoding = 'srgb'"),
        ({"jpeg_chroma": "4:1:1"}, "jpeg_chroma must be one of 4:4:4, 4:2:2, 4:2:0, not '4:1:1'"),
    ],
)
def test_impossible_processing_is_refused(fields, message):
    with pytest.raises(ValueError, match=message):
        Camera(**fields)


def test_presets_are_cameras_and_unknown_ones_are_named():
    assert Camera(**preset("plain")) == Camera()
    assert len({Camera(**preset(name)) for name in PRESETS}) == len(PRESETS)
    with pytest.raises(ValueError, match=r"unknown camera preset 'rawlike'; did you mean 'raw-like'\? known are plain"):
        preset("rawlike")
