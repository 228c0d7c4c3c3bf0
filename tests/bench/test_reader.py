"""Raw files that the tests write themselves, so that light, black and mosaic are known; and files that don't fit."""

import csv
import importlib.util
import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from moteyard.bench.cli import main
from moteyard.bench.errors import YardError
from moteyard.bench.field.raw import read_raw
from moteyard.bench.field.reader import read_photograph
from moteyard.bench.field.survey import command, limit
from moteyard.bench.field.survey.advice import _depth
from moteyard.bench.field.survey.frames import read_frames
from moteyard.generators.camera import Camera
from moteyard.generators.exif import Body, Exif
from moteyard.generators.optics import Optics
from moteyard.generators.orientation import turned
from moteyard.generators.particles import Population
from moteyard.generators.roll import Exposure, Roll, render_exposure

_spec = importlib.util.spec_from_file_location("negatives", Path(__file__).parent / "negatives.py")
negatives = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(negatives)
BANDS, mosaic_of, write_negative = negatives.BANDS, negatives.mosaic_of, negatives.write_negative

HEIGHT, WIDTH = 120, 240
needs_rawpy = pytest.mark.skipif(importlib.util.find_spec("rawpy") is None, reason="rawpy is an extra")
pytestmark = needs_rawpy


def ramp(top=0.9):
    """Grey that rises from black on the left to `top` on the right."""
    return np.broadcast_to(np.linspace(0, top, WIDTH)[None, :, None], (HEIGHT, WIDTH, 3))


# Light


def test_a_known_ramp_reads_back_linear(tmp_path):
    path = write_negative(tmp_path / "ramp.dng", mosaic_of(ramp()))
    picture = read_raw(path)
    assert picture.encoding == "linear"
    light = picture.pixels[HEIGHT // 2] / 65535
    want = ramp()[0]
    # A black level left in would add 512/15000 = 3.4 % of white, a tone curve bend the line.
    for band in range(3):
        slope, black = np.polyfit(want[8:-8, band], light[8:-8, band], 1)
        assert slope == pytest.approx(1, abs=0.005)
        assert black == pytest.approx(0, abs=2e-4)
        assert np.abs(light[8:-8, band] - slope * want[8:-8, band] - black).max() < 6e-4


def test_each_photosite_has_its_own_black(tmp_path):
    black = (200, 700, 900, 1500)
    light = np.zeros((HEIGHT, WIDTH, 3))
    light[0] = 0.5  # something that isn't black
    path = write_negative(tmp_path / "black.dng", mosaic_of(light, black=black), black=black)
    assert read_raw(path).pixels[8:].max() == 0


def test_white_does_not_go_with_the_picture(tmp_path):
    one, half = (
        read_raw(write_negative(tmp_path / f"{top}.dng", mosaic_of(ramp(top)))).pixels[60, 100, 1] / top
        for top in (0.96, 0.48)
    )
    assert one == pytest.approx(half, rel=1e-3)


def test_the_mosaic_is_the_files_own(tmp_path):
    y, x = np.indices((HEIGHT, WIDTH))
    light = np.stack([0.5 - 0.001 * y, 0.35 + 0.0005 * x, 0.3 + 0.0005 * y], axis=-1)
    read = [read_raw(write_negative(tmp_path / f"{p}.dng", mosaic_of(light, pattern=p), pattern=p)) for p in BANDS]
    first = read[0].pixels[6:-6, 6:-6].astype(float)
    for other in read[1:]:
        assert np.abs(other.pixels[6:-6, 6:-6] - first).max() < 0.005 * 65535
    wrong = write_negative(tmp_path / "wrong.dng", mosaic_of(light, pattern="RGGB"), pattern="BGGR")
    assert np.abs(read_raw(wrong).pixels[6:-6, 6:-6] - first).max() > 0.1 * 65535


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_turned_raw_file_maps_to_the_same_sensor_place(tmp_path, orientation):
    light = np.full((HEIGHT, WIDTH, 3), 0.5)
    light[20:24, 200:204] = 0.05
    picture = read_raw(write_negative(tmp_path / "t.dng", mosaic_of(light), orientation=orientation))
    assert picture.sensor_size == (WIDTH, HEIGHT)
    y, x = (float(v.mean()) for v in np.nonzero(picture.pixels[..., 1] < 0.3 * 65535))
    assert np.array(picture.to_sensor(x, y)) == pytest.approx([201.5, 21.5], abs=0.3)


# What the camera says

NOTED = {
    33437: (22, 1), 34855: 100, 36867: "2024:05:06 07:08:09", 37386: (50, 1), 40962: WIDTH - 2, 40963: HEIGHT - 2,
    41486: (2000, 1), 41488: 3, 42033: "A-17",
}  # fmt: skip


def test_exif_of_a_negative_as_an_independent_reader_sees_it(tmp_path):
    import exifread

    path = write_negative(tmp_path / "e.dng", mosaic_of(ramp()), exif=NOTED)
    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    picture = read_raw(path)
    assert picture.f_number == float(tags["EXIF FNumber"].values[0]) == 22
    assert picture.focal_mm == float(tags["EXIF FocalLength"].values[0]) == 50
    assert picture.iso == tags["EXIF ISOSpeedRatings"].values[0] == 100
    assert picture.body == Body("Maker", "Maker One", tags["EXIF BodySerialNumber"].values)
    assert picture.body.model == tags["Image Model"].values
    assert f"{picture.taken:%Y:%m:%d %H:%M:%S}" == tags["EXIF DateTimeOriginal"].values
    # A raw file shows a rim that the size noted leaves out; 2000 pixels a centimetre are 5 µm each.
    assert picture.pixel_um == pytest.approx(5.0)


def test_a_clock_that_was_never_set_is_no_date():
    for said in ("0000:00:00 00:00:00", "    :  :     :  :  ", "", None, 7):
        assert Exif({"DateTimeOriginal": said}).taken is None
    assert Exif({"DateTimeOriginal": "2024:02:29 23:59:59\0"}).taken == datetime(2024, 2, 29, 23, 59, 59)


def test_what_is_not_said_is_taken_for_the_same():
    assert not Body("A", "One", "7").is_other_than(Body())
    assert not Body("A", "One", "7").is_other_than(Body("A", "One"))
    assert Body("A", "One", "7").is_other_than(Body("A", "One", "8"))
    assert Body("A", "One").is_other_than(Body("A", "Two"))


# Files that can't be used


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95, 0.999])
def test_cut_short(tmp_path, capfd, share):
    path = write_negative(tmp_path / "c.dng", mosaic_of(ramp()))
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    with pytest.raises(YardError, match=r"c.dng is cut short: parts of its pixels are missing; copy it anew"):
        read_raw(path)
    assert capfd.readouterr() == ("", "")


def test_zeros_where_light_should_be(tmp_path):
    codes = mosaic_of(ramp())
    codes[80:] = 0
    with pytest.raises(YardError, match=r"h.dng holds no light in its last 40 of 120 rows: it is cut short"):
        read_raw(write_negative(tmp_path / "h.dng", codes))
    with pytest.raises(YardError, match=r"z.dng holds no light at all: it is cut short"):
        read_raw(write_negative(tmp_path / "z.dng", np.zeros_like(codes)))


def test_not_a_raw_file(tmp_path):
    (tmp_path / "n.cr3").write_bytes(b"This is a letter." * 9)
    with pytest.raises(YardError, match=r"n.cr3 can't be read as a raw file"):
        read_raw(tmp_path / "n.cr3")
    with pytest.raises(YardError, match=r"there is no file .*gone.nef"):
        read_raw(tmp_path / "gone.nef")


def test_a_raw_file_needs_rawpy(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "rawpy", None)
    (tmp_path / "a.dng").write_bytes(b"II*\0")
    for words in (["survey"], ["find", "--threshold", "1"], ["find", "--roll"]):
        assert main([*words, str(tmp_path / "a.dng"), "--out", str(tmp_path / "o")]) == 2
        assert "needs rawpy; install it with: pip install 'moteyard[raw]'" in capsys.readouterr().err


def test_too_small(tmp_path):
    path = write_negative(tmp_path / "s.dng", mosaic_of(ramp()[:40]))
    with pytest.raises(YardError, match=r"s.dng is 240×40, too small to hold a shadow"):
        read_photograph(path, None)


# The commands on raw files


@pytest.fixture(scope="module")
def test_frames():
    """Two test frames of one dusty filter, as linear light."""
    shot = Exposure("screen", f_number=22.0, is_test_frame=True)
    roll = Roll(
        "raw",
        (shot, shot),
        optics=Optics(pixel_um=6.0),
        camera=Camera(width_px=480, height_px=320, bits=16, encoding="linear"),
        population=Population(mean_count=10, smallest_um=20),
        seed=(2, 7),
    )
    return [render_exposure(roll, index) for index in range(2)]


def negative_of(path, frame, **more):
    noted = NOTED | {40962: 480, 40963: 320, 41486: (16667, 10)}
    return write_negative(path, mosaic_of(frame.pixels / 65535), exif=noted, **more)


def test_survey_of_raw_files(test_frames, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(command, "PIECES", 6)  # fewer may part found from missed by chance
    monkeypatch.setattr(limit, "FIRST_PIECES", 2)
    turns = (1, 6)  # the second held upright
    paths = [
        negative_of(tmp_path / f"t{number}.dng", frame, orientation=turn)
        for number, (frame, turn) in enumerate(zip(test_frames, turns, strict=True))
    ]
    assert main(["survey", *map(str, paths), "--out", str(tmp_path / "o")]) == 0
    assert "with 95 % confidence" in capsys.readouterr().out
    with (tmp_path / "o" / "grains.csv").open(encoding="utf-8") as file:
        found = np.array([(float(r["x"]), float(r["y"]), float(r["diameter_um"])) for r in csv.DictReader(file)])
    truth, alone = test_frames[0].truth, 0
    for x, y, diameter in zip(truth.x, truth.y, truth.diameter_um, strict=True):
        rim = min(x, y, 479 - x, 319 - y)
        if np.sort(np.hypot(truth.x - x, truth.y - y))[1] > 20 and rim > 10:
            far = np.hypot(found[:, 0] - x, found[:, 1] - y)
            assert far.min() < 1
            assert found[far.argmin(), 2] == pytest.approx(diameter, rel=0.12)
            alone += 1
    assert alone >= 4


def test_find_in_raw_files(test_frames, tmp_path, capsys):
    paths = [str(negative_of(tmp_path / f"t{number}.dng", frame)) for number, frame in enumerate(test_frames)]
    assert main(["find", paths[0], "--threshold", "12", "--out", str(tmp_path / "one")]) == 0
    assert "t0.dng: 480×320, f/22" in capsys.readouterr().out
    assert main(["find", *paths, "--roll", "--out", str(tmp_path / "roll")]) == 0
    truth = test_frames[0].truth
    plain = truth.depth > 0.2
    for folder in ("one", "roll"):
        mask = np.asarray(Image.open(tmp_path / folder / "t0.dng.mask.png"))
        assert all(mask[round(y), round(x)] for x, y in zip(truth.x[plain], truth.y[plain], strict=True))
    # Light of 0.5 is 188 in sRGB; shown as it is stored, it would be 127.
    marked = np.asarray(Image.open(tmp_path / "one" / "t0.dng.marked.jpg"))
    light = float(np.median(test_frames[0].pixels[..., 1])) / 65535
    assert np.median(marked[..., 1]) == pytest.approx(255 * (1.055 * light ** (1 / 2.4) - 0.055), abs=3)


# Photographs that were held differently, and by another camera


def jpeg(path, pixels, *, orientation=1, serial="1", focal=50):
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Maker", "One", orientation
    exif.get_ifd(0x8769).update({33437: 22.0, 37386: focal, 42033: serial, 41486: 1666.7, 41488: 3})
    Image.fromarray(np.ascontiguousarray(pixels)).save(path, quality=95, exif=exif)
    return path


@pytest.fixture(scope="module")
def eight_bits(test_frames):
    return [np.asarray((255 * (f.pixels / 65535) ** (1 / 2.2)).round(), np.uint8) for f in test_frames]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_maps_to_the_same_sensor_place(eight_bits, tmp_path, orientation):
    path = jpeg(tmp_path / "o.jpg", eight_bits[0], orientation=orientation)
    level, held = read_frames([jpeg(tmp_path / "l.jpg", eight_bits[0]), path], sensor=None, f_number=None)
    assert np.array_equal(level.photograph.pixels, held.photograph.pixels)
    with Image.open(path) as image:  # Pillow turns it by itself
        from PIL import ImageOps

        shown = np.asarray(ImageOps.exif_transpose(image))
    assert np.array_equal(turned(held.photograph.pixels, orientation), shown)


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_a_roll_held_both_ways(eight_bits, test_frames, tmp_path, orientation):
    paths = [
        jpeg(tmp_path / "level.jpg", eight_bits[0]),
        jpeg(tmp_path / "held.jpg", eight_bits[1], orientation=orientation),
    ]
    out = tmp_path / "found"
    assert main(["find", *map(str, paths), "--roll", "--out", str(out)]) == 0
    level = np.asarray(Image.open(out / "level.jpg.mask.png")) > 0
    held = np.asarray(Image.open(out / "held.jpg.mask.png")) > 0
    again = turned(level, orientation)
    assert (held & again).sum() > 0.9 * max(held.sum(), again.sum())
    truth = test_frames[0].truth
    plain = truth.depth > 0.2
    assert all(level[round(y), round(x)] for x, y in zip(truth.x[plain], truth.y[plain], strict=True))


def test_a_roll_held_both_ways_is_retouched_where_its_shadows_lie(eight_bits, test_frames, tmp_path):
    paths = [
        jpeg(tmp_path / "level.jpg", eight_bits[0]),
        jpeg(tmp_path / "held.jpg", eight_bits[1], orientation=6),
    ]
    assert main(["retouch", *map(str, paths), "--roll", "--out", str(tmp_path / "o")]) == 0
    held = np.asarray(Image.open(tmp_path / "o" / "held.jpg.repaired.mask.png")) > 0
    truth = test_frames[1].truth
    shadows = np.zeros((320, 480), bool)
    plain = (truth.depth > 0.2) & (np.minimum(truth.x, truth.y) > 10) & (truth.x < 470) & (truth.y < 310)
    shadows[np.rint(truth.y[plain]).astype(int), np.rint(truth.x[plain]).astype(int)] = True
    assert plain.sum() >= 4
    assert held[turned(shadows, 6)].all()


@pytest.mark.parametrize("words", [["survey"], ["find", "--roll"]])
def test_two_cameras_in_one_roll(eight_bits, tmp_path, capsys, words):
    paths = [jpeg(tmp_path / f"{n}.jpg", eight_bits[0], serial=n) for n in ("7", "8")]
    assert main([*words, *map(str, paths), "--out", str(tmp_path / "o")]) == 2
    said = capsys.readouterr().err
    assert "8.jpg is by Maker One, serial number 8 but" in said
    assert "give the files of one camera" in said


def test_scrub_alone_does_not_tell_another_lens(tmp_path, capsys):
    rng = np.random.default_rng(4)
    paths = []
    for number in range(4):
        leaves = np.repeat(np.exp(rng.normal(4.2, 0.5, (160, 240, 1))).clip(0, 255), 3, axis=2).astype(np.uint8)
        paths.append(str(jpeg(tmp_path / f"s{number}.jpg", leaves, focal=24 if number < 2 else 85)))
    assert main(["find", *paths, "--roll", "--out", str(tmp_path / "o")]) == 0
    said = capsys.readouterr().out
    assert "note: s2.jpg, s3.jpg: taken at 85 mm, the first at 24 mm, and too few shared shadows tell" in said
    assert "anything within ±2.5 %, 3.6 px in the corners" in said  # half the diagonal of 240×160 is 144.2 px
    assert main(["find", *paths[:2], "--roll", "--out", str(tmp_path / "p")]) == 0
    assert "too few shared" not in capsys.readouterr().out


# Depth


def depth_advice(path):
    return " ".join(_depth(read_frames([path], sensor=(2.88, 1.92), f_number=22.0)))


@pytest.mark.parametrize("times", [256, 257])
def test_eight_bits_in_sixteen_are_told_of(eight_bits, tmp_path, times):
    path = tmp_path / "w.tif"
    tifffile.imwrite(path, eight_bits[0].astype(np.uint16) * times, photometric="rgb")
    assert "w.tif has 8-bit values in 16 bits" in depth_advice(path)


def test_sixteen_bits_and_eight_are_not(eight_bits, test_frames, tmp_path):
    for name, pixels in (("d.tif", test_frames[0].pixels), ("e.tif", eight_bits[0])):
        tifffile.imwrite(tmp_path / name, pixels, photometric="rgb")
        assert depth_advice(tmp_path / name) == ""
