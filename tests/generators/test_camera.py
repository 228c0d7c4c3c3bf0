"""The camera: noise by EMVA 1288's linear model, encoding by IEC 61966-2-1, JPEG."""

import io

import colour
import numpy as np
import pytest
from PIL import Image

from moteyard.generators.camera import Camera
from moteyard.generators.jpeg import jpeg_bytes, through_jpeg
from moteyard.generators.normals import Normals
from moteyard.generators.transfer import decode, encode, srgb_decode, srgb_encode


def test_photon_transfer_of_flat_frames():
    # EMVA 1288 (from memory): the variance of flat frames rises by K a DN of mean, from K²σ_d² + 1/12 at none.
    camera = Camera(full_well_e=20_000, read_noise_e=5, adc_bits=14)
    noise = Normals(np.random.default_rng(7))
    levels = np.linspace(0.05, 0.8, 12)
    means, variances = [], []
    for level in levels:
        pair = [camera.raw(np.full((200, 200, 1), level, np.float32), noise).astype(float) for _ in range(2)]
        means.append(np.mean(pair))
        variances.append(np.var(pair[0] - pair[1]) / 2)
    slope, offset = np.polyfit(means, variances, 1)
    assert slope == pytest.approx(camera.gain, rel=0.02)
    assert offset == pytest.approx(camera.gain**2 * 25 + 1 / 12, abs=60 * camera.gain**2)


def test_dark_frames_show_the_read_noise():
    camera = Camera(full_well_e=20_000, read_noise_e=5)
    dark = camera.raw(np.zeros((300, 300, 1), np.float32), Normals(np.random.default_rng(1)))
    assert dark.std() == pytest.approx(np.sqrt((camera.gain * 5) ** 2 + 1 / 12), rel=0.02)
    assert abs(dark.mean()) < 0.05


def test_sensitivity_costs_full_well():
    assert Camera(full_well_e=40_000, iso=400).saturation_e == 10_000


def test_light_beyond_saturation_is_clipped():
    pixels = Camera().expose(np.full((4, 4, 3), 3.0, np.float32), np.random.default_rng(0))
    assert (pixels == 255).all()


# IEC 61966-2-1: the first pair is from the documentation of colour-science, the others computed from the standard.
@pytest.mark.parametrize(("linear", "code"), [(0.18, 0.4613561), (0.5, 0.735357), (0.0, 0.0), (1.0, 1.0)])
def test_srgb_pairs(linear, code):
    assert srgb_encode(np.array(linear)) == pytest.approx(code, abs=1e-6)
    assert srgb_decode(np.array(code)) == pytest.approx(linear, abs=1e-6)


def test_code_128_is_a_fifth_of_the_light():
    assert decode(np.array([128], np.uint8), "srgb")[0] == pytest.approx(0.215861, abs=1e-6)


def test_srgb_against_colour_science():
    codes = np.linspace(0, 1, 257)
    assert srgb_decode(codes) == pytest.approx(colour.models.eotf_sRGB(codes), abs=1e-7)
    assert srgb_encode(codes) == pytest.approx(colour.models.eotf_inverse_sRGB(codes), abs=1e-5)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("encoding", ["srgb", "linear"])
def test_codes_survive_a_round_trip(bits, encoding):
    kind = np.uint8 if bits == 8 else np.uint16
    codes = np.arange(0, 1 << bits, 1 if bits == 8 else 97).astype(kind)
    back = encode(decode(codes, encoding), bits=bits, encoding=encoding)
    assert np.abs(back.astype(int) - codes).max() <= (0 if bits == 8 else 1)
    assert back.dtype == kind


def test_jpeg_loses_a_little_and_no_more():
    ramp = np.broadcast_to(np.linspace(40, 200, 96, dtype=np.uint8)[None, :, None], (64, 96, 3)).copy()
    out = through_jpeg(ramp, 90)
    assert out.shape == ramp.shape
    assert 0 < np.abs(out.astype(int) - ramp).max() < 8


@pytest.mark.parametrize("chroma", ["4:4:4", "4:2:2", "4:2:0"])
def test_a_jpeg_is_read_as_pillow_reads_it(chroma):
    pixels = np.random.default_rng(4).integers(0, 256, (61, 83, 3), dtype=np.uint8)
    with Image.open(io.BytesIO(jpeg_bytes(pixels, 92, chroma=chroma))) as picture:
        assert np.array_equal(through_jpeg(pixels, 92, chroma=chroma), np.asarray(picture))


@pytest.mark.parametrize("chroma", ["4:4:4", "4:2:2", "4:2:0"])
@pytest.mark.parametrize("quality", [5, 75, 92])
def test_a_jpeg_keeps_what_pillow_keeps(chroma, quality):
    wide = np.random.default_rng(4).integers(0, 256, (61, 90, 3), dtype=np.uint8)
    pixels = wide[:, 3:86]  # a part of a picture, whose rows lie apart
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=quality, subsampling=chroma)
    with Image.open(buffer) as picture:
        assert np.array_equal(through_jpeg(pixels, quality, chroma=chroma), np.asarray(picture))


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"bits": 12}, "bits must be 8 or 16, not 12"),
        ({"encoding": "log"}, "must be one of srgb, linear, not 'log'"),
        ({"jpeg_quality": 99}, "must be 1 to 95, not 99"),
        ({"jpeg_quality": 90, "bits": 16}, "needs bits = 8"),
        ({"width_px": 0}, "at least 1×1, not 0×1024"),
        ({"iso": 0}, "iso > 0"),
        ({"adc_bits": 20}, "4 to 16, not 20"),
    ],
)
def test_impossible_cameras_are_refused(fields, message):
    with pytest.raises(ValueError, match=message):
        Camera(**fields)


def test_unknown_codes_are_refused():
    with pytest.raises(ValueError, match="uint8 or uint16, not float64"):
        decode(np.zeros(3), "srgb")
    with pytest.raises(ValueError, match="unknown encoding 'log'"):
        decode(np.zeros(3, np.uint8), "log")
    with pytest.raises(ValueError, match="bits must be 8 or 16, not 10"):
        encode(np.zeros(3), bits=10, encoding="srgb")
