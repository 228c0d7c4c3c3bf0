"""`moteyard retouch` on files: what is kept, what is changed, what is refused."""

import csv
import json
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from moteyard.bench.cli import main
from moteyard.bench.field.find import Find
from moteyard.bench.retouch.copies import Change, writer
from moteyard.bench.retouch.plan import judge_planner
from moteyard.bench.retouch.roll_sizes import shared_sizes
from moteyard.detectors.consensus_study import GrainEvidence, Study
from moteyard.detectors.contract import Photograph
from moteyard.detectors.registry import load
from moteyard.generators.optics import Optics
from moteyard.generators.photo_io import Picture, read_picture
from moteyard.generators.shadow import cast
from moteyard.generators.transfer import encode

WIDTH, HEIGHT = 260, 200
DUST = ((70.3, 60.2, 33.0), (180.6, 120.4, 45.0))
PROFILE = b"\0" * 300


def light(seed=1, *, dusty=True, dust=DUST, f_number=16.0, noise=0.01):
    rng = np.random.default_rng(seed)
    ground = np.full((HEIGHT, WIDTH, 3), (0.3, 0.36, 0.45), np.float32)
    ground *= (1 + rng.normal(0, noise, (HEIGHT, WIDTH, 1))).astype(np.float32)
    for x, y, size in dust if dusty else ():
        shadow = cast(size, Optics(f_number=f_number), x=x, y=y)
        half = shadow.transmission.shape[1] // 2
        rows, columns = (slice(at - half, at + half + 1) for at in (shadow.row, shadow.column))
        ground[rows, columns] *= np.moveaxis(shadow.transmission, 0, 2).astype(np.float32)
    return ground


def codes(bits=8, **options):
    return encode(light(**options), bits=bits, encoding="srgb")


def exif(orientation=1, f_number=16.0):
    words = Image.Exif()
    words[274] = orientation
    directory = words.get_ifd(0x8769)
    directory[33437] = f_number
    directory[41486], directory[41488] = 25400 / 6.0, 2
    return words


def save(path, **options):
    kind, bits = path.suffix, 16 if "16" in path.stem else 8
    pixels = codes(bits, **options)
    if kind == ".jpg":
        Image.fromarray(pixels).save(path, quality=93, exif=exif(), icc_profile=PROFILE)
    elif kind == ".png" and bits == 8:
        alpha = np.random.default_rng(9).integers(0, 256, pixels.shape[:2], dtype=np.uint8)
        Image.fromarray(np.dstack([pixels, alpha])).save(path, exif=exif(), icc_profile=PROFILE)
    elif kind == ".png":
        path.write_bytes(imagecodecs.png_encode(pixels))
    else:
        how = {"compression": "lzw", "predictor": True} if "lzw" in path.stem else {}
        tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=PROFILE, rowsperstrip=16, **how)
    return path


def table(path):
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


FILES = ("a.jpg", "a8.png", "a16.png", "a8.tif", "a16.tif", "a16lzw.tif")


def run(*words):
    return main(["retouch", *map(str, words), "--f-number", "16", "--filter-distance", "1"])


@pytest.mark.parametrize("name", FILES)
def test_a_copy_keeps_what_the_file_was(tmp_path, name, capsys):
    path, out = save(tmp_path / name), tmp_path / "out"
    original = path.read_bytes()
    assert run(path, "--threshold", 8, "--out", out) == 0
    assert "2 spots, 2 divided" in capsys.readouterr().out
    assert path.read_bytes() == original
    copy = out / f"{path.stem}.retouched{path.suffix}"
    before, after = read_picture(path), read_picture(copy)
    assert after.pixels.dtype == before.pixels.dtype
    assert after.icc_profile == before.icc_profile
    assert after.f_number == before.f_number
    touched = np.asarray(Image.open(out / f"{name}.repaired.mask.png")) > 0
    if path.suffix == ".jpg":
        # Blocks of 16 pixels that a touched pixel lies in or beside change; the rest by next to nothing.
        far = np.ones_like(touched)
        for row, column in zip(*np.nonzero(touched), strict=True):
            far[max(0, row - 24) : row + 25, max(0, column - 24) : column + 25] = False
        difference = np.abs(after.pixels.astype(int) - before.pixels)
        assert difference[far].max() <= 2
        assert (difference[far] > 0).mean() < 0.05
        with Image.open(path) as one, Image.open(copy) as other:
            assert one.quantization == other.quantization
            assert one.info["exif"] == other.info["exif"]
    else:
        np.testing.assert_array_equal(after.pixels[~touched], before.pixels[~touched])
    clean = codes(16 if "16" in name else 8, dusty=False) / np.iinfo(after.pixels.dtype).max
    scale = np.iinfo(after.pixels.dtype).max
    for x, y, _ in DUST:
        core = slice(int(y) - 3, int(y) + 5), slice(int(x) - 3, int(x) + 5)
        assert (after.pixels[core] / scale - clean[core]).mean() == pytest.approx(0, abs=0.01)
        assert (before.pixels[core] / scale - clean[core]).mean() < -0.08


def test_transparency_stays(tmp_path):
    path = save(tmp_path / "a8.png")
    assert run(path, "--threshold", 8, "--out", tmp_path / "out") == 0
    old, new = (np.asarray(Image.open(each)) for each in (path, tmp_path / "out" / "a8.retouched.png"))
    np.testing.assert_array_equal(new[..., 3], old[..., 3])


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_turned_picture(tmp_path, orientation):
    path = tmp_path / "turned.jpg"
    Image.fromarray(codes()).save(path, quality=95, exif=exif(orientation))
    assert run(path, "--threshold", 8, "--out", tmp_path) == 0
    copy = tmp_path / "turned.retouched.jpg"
    stored = np.asarray(Image.open(copy)).astype(int)
    assert read_picture(copy).orientation == orientation
    for x, y, _ in DUST:
        assert stored[round(y), round(x), 1] == pytest.approx(codes(dusty=False)[..., 1].mean(), abs=6)


@pytest.mark.parametrize("options", [{"planarconfig": "separate"}, {"tile": (64, 64)}, {"byteorder": ">"}], ids=str)
@pytest.mark.parametrize("compression", [None, "lzw", "zlib"])
def test_any_layout_of_tiff(tmp_path, options, compression):
    path, pixels = tmp_path / "a.tif", codes(16)
    planes = np.moveaxis(pixels, 2, 0) if "planarconfig" in options else pixels
    tifffile.imwrite(path, planes, photometric="rgb", compression=compression, **options)
    picture, touched = read_picture(path), np.zeros((HEIGHT, WIDTH), bool)
    touched[50:80, 60:100] = True
    new = np.where(touched[..., None], np.uint16(12345), picture.pixels)
    (tmp_path / "b.tif").write_bytes(writer(path)(path, Change.of(picture, new, touched)))
    np.testing.assert_array_equal(read_picture(tmp_path / "b.tif").pixels, new)


def test_a_jpeg_that_holds_red_green_and_blue(tmp_path):
    path = tmp_path / "a.jpg"
    codes = encode(light(), bits=8, encoding="srgb")
    Image.fromarray(codes).save(path, quality=95, keep_rgb=True)
    assert run(path, "--threshold", 8, "--out", tmp_path / "out") == 0
    with Image.open(tmp_path / "out" / "a.retouched.jpg") as copy:
        assert [layer[0] for layer in copy.layer] == [82, 71, 66]
        changed = np.abs(np.asarray(copy).astype(int) - codes).max(axis=2) > 12
    assert 0 < changed.mean() < 0.05


def test_grey_stays_grey(tmp_path):
    path = tmp_path / "grey.png"
    path.write_bytes(imagecodecs.png_encode(np.ascontiguousarray(codes(16)[..., 1])))
    assert run(path, "--threshold", 8, "--out", tmp_path) == 0
    assert imagecodecs.png_decode((tmp_path / "grey.retouched.png").read_bytes()).shape == (HEIGHT, WIDTH)


def test_the_record(tmp_path):
    path = save(tmp_path / "a.jpg")
    assert run(path, "--threshold", 8, "--out", tmp_path) == 0
    record = json.loads((tmp_path / "a.jpg.repairs.json").read_text(encoding="utf-8"))
    rows = table(tmp_path / "a.jpg.repairs.csv")
    assert len(record["repairs"]) == len(rows) == 2
    for one, row in zip(record["repairs"], rows, strict=True):
        x, y, size = min(DUST, key=lambda grain: abs(grain[0] - one["x"]))
        assert (one["x"], one["y"]) == (pytest.approx(x, abs=0.4), pytest.approx(y, abs=0.4))
        assert one["grain_um"] == pytest.approx(size, rel=0.05)
        assert one["depth"] == pytest.approx(cast(size, Optics(f_number=16), x=0, y=0).peak_depth, abs=0.04)
        assert one["evidence"] > 8
        assert one["confidence"] > 0.5
        assert row["how"] == one["how"] == "divided"
    assert record["f_number"] == 16
    assert (tmp_path / "a.jpg.repairs.jpg").exists()


def test_the_same_folder_and_a_second_run(tmp_path, capsys):
    path = save(tmp_path / "a.jpg")
    assert run(path, "--threshold", 8, "--out", tmp_path) == 0
    made = {each: each.stat().st_mtime_ns for each in tmp_path.iterdir()}
    assert run(path, "--threshold", 8, "--out", tmp_path) == 0
    assert "a.jpg: done before" in capsys.readouterr().out
    assert {each: each.stat().st_mtime_ns for each in tmp_path.iterdir()} == made
    assert run(path, "--threshold", 9, "--out", tmp_path) == 2
    assert "exists already and is of another file or other settings; choose another --out" in capsys.readouterr().err


def test_an_interrupted_run_goes_on(tmp_path):
    path, out = save(tmp_path / "a.jpg"), tmp_path / "out"
    assert run(path, "--threshold", 8, "--out", out) == 0
    (out / "a.jpg.repairs.json").unlink()
    made = sorted(file.name for file in out.iterdir() if file.name != "by-hand.csv")
    (out / ".a.jpg.unfinished").write_text("\n".join(made) + "\n")
    assert run(path, "--threshold", 8, "--out", out, "--dry-run") != 1
    assert sorted(file.name for file in out.iterdir() if file.name in made) == made  # a dry run takes nothing away
    assert run(path, "--threshold", 8, "--out", out) == 0
    assert (out / "a.jpg.repairs.json").exists()
    assert not list(out.glob(".*"))


def test_a_dry_run_writes_nothing(tmp_path, capsys):
    path = save(tmp_path / "a.jpg")
    assert run(path, "--threshold", 8, "--out", tmp_path / "out", "--dry-run") == 0
    assert "a.jpg: 2 spots to mend" in capsys.readouterr().out
    assert not (tmp_path / "out").exists()


def test_a_mark_takes_away_only_what_it_names(tmp_path, capsys):
    path, out = save(tmp_path / "a.jpg"), tmp_path / "out"
    out.mkdir()
    (out / "a.retouched.jpg").write_bytes(b"mine")
    (out / ".a.jpg.unfinished").touch()
    assert run(path, "--threshold", 8, "--out", out) == 2
    assert "a.retouched.jpg exists already" in capsys.readouterr().err
    assert (out / "a.retouched.jpg").read_bytes() == b"mine"


def test_the_hands_list_holds_all_calls_and_replaces_no_stranger(tmp_path, capsys):
    ground = light(dusty=False)
    ground[90:94, 100:128] *= 0.5
    for name in ("one.png", "two.png"):
        Image.fromarray(encode(ground, bits=8, encoding="srgb")).save(tmp_path / name)
        assert run(tmp_path / name, "--threshold", 6, "--out", tmp_path / "out") == 0
    assert {row["photograph"] for row in table(tmp_path / "out" / "by-hand.csv")} == {"one.png", "two.png"}
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "by-hand.csv").write_text("mine\n")
    assert run(tmp_path / "one.png", "--threshold", 6, "--out", tmp_path / "other") == 2
    assert "by-hand.csv is not a list that retouch wrote" in capsys.readouterr().err
    assert (tmp_path / "other" / "by-hand.csv").read_text() == "mine\n"


def test_places_for_the_hand(tmp_path):
    """A hair is no grain: it is left, and listed."""
    ground = light(dusty=False)
    ground[90:94, 100:128] *= 0.5
    path = tmp_path / "hair.png"
    Image.fromarray(encode(ground, bits=8, encoding="srgb")).save(path)
    assert run(path, "--threshold", 6, "--out", tmp_path) == 0
    rows = table(tmp_path / "by-hand.csv")
    assert rows
    assert {row["photograph"] for row in rows} == {"hair.png"}
    assert {row["why"] for row in rows} <= {
        "not the shadow of a round grain",
        "no shadow stands out of the ground here",
    }


def test_a_roll(tmp_path, capsys):
    paths = [save(tmp_path / f"p{number}.png", seed=number, noise=0.05) for number in range(5)]
    assert run(*paths, "--roll", "--out", tmp_path / "out") == 0
    assert "5 photographs: 2 grains with evidence above" in capsys.readouterr().out
    for path in paths:
        record = json.loads((tmp_path / "out" / f"{path.name}.repairs.json").read_text(encoding="utf-8"))
        assert [one["how"] for one in record["repairs"]] == ["divided"] * 2


def test_a_roll_knows_sizes_that_no_rough_picture_tells():
    """Two pictures of plain ground and one of rough: the sizes are those of the plain ones."""
    grounds = [(1, 0.01), (2, 0.01), (3, 0.5)]
    roll = [Photograph(codes(16, seed=s, noise=n), f_number=16.0, pixel_um=6.0) for s, n in grounds]
    none = np.zeros(3, np.float32)
    grains = tuple(GrainEvidence(x, y, 42.0, 50.0, none, 0, 2) for x, y, _ in DUST)
    sizes = shared_sizes(roll, Study(grains, (1.0,) * 3, (0.0,) * 3))
    np.testing.assert_allclose(sizes.diameter_um, [size for *_, size in DUST], rtol=0.03)
    assert sizes.filter_distance_mm == pytest.approx(1.0)
    assert (sizes.error <= 0.04).all()
    assert np.abs(sizes.shift).max() < 0.2


def test_faint_shadows_in_a_roll_are_not_made_larger():
    """Twelve rough pictures of one small grain, none of which tells its size to a tenth: together they do, unbiased."""
    rng, sizes = np.random.default_rng(5), []
    for _trial in range(6):
        roll = []
        for _ in range(12):
            ground = np.full((HEIGHT, WIDTH, 3), 0.35, np.float32)
            ground *= (1 + rng.normal(0, 0.12, (HEIGHT, WIDTH, 1))).astype(np.float32)
            shadow = cast(22.0, Optics(f_number=16), x=130.2, y=100.4)
            half = shadow.transmission.shape[1] // 2
            ground[100 - half : 101 + half, 130 - half : 131 + half] *= np.moveaxis(shadow.transmission, 0, 2).astype(
                "f4"
            )
            roll.append(Photograph(encode(ground, bits=16, encoding="srgb"), f_number=16.0, pixel_um=6.0))
        grain = GrainEvidence(130.2, 100.4, 28.0, 50.0, np.zeros(12, np.float32), 0, 11)
        told = shared_sizes(roll, Study((grain,), (1.0,) * 12, (0.0,) * 12), filter_distance_mm=1.0)
        sizes.append(float(told.diameter_um[0]))
    assert np.exp(np.mean(np.log(sizes))) == pytest.approx(22.0, rel=0.05)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["missing.jpg", "--threshold", "8"], "there is no file"),
        (["a.jpg"], "a threshold is needed"),
        (["a.jpg", "--threshold", "8", "--repair", "telia"], "unknown repair 'telia' (did you mean 'telea'?)"),
        (["a.jpg", "--roll", "--detector", "dog"], "--roll has a method of its own"),
        (["a.jpg", "a.jpg", "--threshold", "8"], "two photographs are called a.jpg"),
        (["a.dng", "--threshold", "8"], "rawpy"),
        (["a.heic", "--threshold", "8"], "repaired copies are made of JPEG, PNG and TIFF; export it as one of them"),
        (["palette.png", "--threshold", "8"], "has a palette"),
        (["packed.tif", "--threshold", "8"], "save it uncompressed, or with LZW or Deflate"),
        (["small.png", "--threshold", "8"], "too small to hold a shadow"),
    ],
)
def test_mistakes_are_answered_by_a_sentence(tmp_path, monkeypatch, capsys, words, sentence):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setitem(__import__("sys").modules, "rawpy", None)
    save(tmp_path / "a.jpg")
    (tmp_path / "a.dng").write_bytes(b"II*\0")
    (tmp_path / "a.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(40))
    Image.fromarray(codes()).convert("P").save(tmp_path / "palette.png")
    Image.fromarray(codes()[:20, :20]).save(tmp_path / "small.png")
    tifffile.imwrite(tmp_path / "packed.tif", codes(), photometric="rgb", compression="zstd")
    assert main(["retouch", *words, "--out", "out"]) == 2
    said = capsys.readouterr().err
    assert sentence in said
    assert "Traceback" not in said


def negative(path, **options):
    """A mosaic of the same light with the tags that a digital negative needs (DNG specification 1.4)."""
    linear = light(**options) * 0.9
    mosaic = np.empty((HEIGHT, WIDTH), np.uint16)
    for row, column, band in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = np.rint(16000 * linear[row::2, column::2, band])
    identity = [1 if row == column else 0 for row in range(3) for column in range(3)]
    tags = [
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),
        (50708, 2, 0, "test", True),
        (50721, 10, 9, [part for value in identity for part in (value, 1)], True),
        (50717, 3, 1, 16000, True),
        (50728, 5, 3, (1, 1, 1, 1, 1, 1), True),
    ]
    tifffile.imwrite(path, mosaic, photometric=32803, metadata=None, extratags=tags)
    return path


def test_a_raw_file_is_read_and_not_written(tmp_path):
    pytest.importorskip("rawpy")
    path = negative(tmp_path / "x.dng")
    assert run(path, "--threshold", 8, "--out", tmp_path / "out", "--linear") == 0
    names = {each.name for each in (tmp_path / "out").iterdir()} - {"by-hand.csv"}
    parts = (".linear.tif", ".repaired.mask.png", ".repairs.csv", ".repairs.jpg", ".repairs.json")
    assert names == {f"x.dng{part}" for part in parts}
    pixels = tifffile.imread(tmp_path / "out" / "x.dng.linear.tif")
    assert pixels.dtype == np.uint16
    touched = np.asarray(Image.open(tmp_path / "out" / "x.dng.repaired.mask.png")) > 0
    for x, y, _ in DUST:
        assert touched[round(y), round(x)]
        core, beside = (
            pixels[round(y) - 3 : round(y) + 4, at - 3 : at + 4, 1].mean() for at in (round(x), round(x) + 30)
        )
        assert core / beside == pytest.approx(1, abs=0.03)


def test_a_roll_of_raw_files(tmp_path, capsys):
    pytest.importorskip("rawpy")
    paths = [negative(tmp_path / f"{number}.dng", seed=number) for number in range(3)]
    before = [path.read_bytes() for path in paths]
    assert run(*paths, "--roll", "--out", tmp_path / "out") == 0
    assert "3 photographs: 2 grains with evidence above" in capsys.readouterr().out
    assert [path.read_bytes() for path in paths] == before
    for path in paths:
        assert len(record_of(tmp_path / "out", path)["repairs"]) == 2
        assert (tmp_path / "out" / f"{path.name}.repaired.mask.png").exists()
    assert not list((tmp_path / "out").glob("*.dng"))


def record_of(out, path):
    return json.loads((out / f"{path.name}.repairs.json").read_text(encoding="utf-8"))


def save_jpeg(path, *, f_number, orientation=1, keep=DUST, **options):
    pixels = encode(light(dust=keep, f_number=f_number, **options), bits=8, encoding="srgb")
    Image.fromarray(pixels).save(path, quality=95, exif=exif(orientation, f_number=f_number))
    return path


@pytest.fixture
def test_frames(tmp_path):
    return [save_jpeg(tmp_path / f"t{seed}.jpg", f_number=22.0, seed=seed, noise=0.004) for seed in (31, 32)]


@pytest.mark.parametrize("orientation", [1, 6])
def test_what_test_frames_foretell_is_mended(tmp_path, test_frames, capsys, orientation):
    """On ground so rough that the picture alone says nothing of the smaller grain's size."""
    rough = save_jpeg(tmp_path / "rough.jpg", f_number=16.0, seed=3, noise=0.3, orientation=orientation)
    words = [rough, "--test-frames", *test_frames, "--out", tmp_path / "out"]
    assert main(["retouch", *map(str, words)]) == 0
    assert "2 test frames: 2 grains" in capsys.readouterr().out
    record = record_of(tmp_path / "out", rough)
    assert record["settings"]["evidence"] == "test frames, measured again in each photograph"
    assert len(record["settings"]["test_frames"]) == 2
    picture = read_picture(rough)
    for one in record["repairs"]:
        x, y = picture.to_sensor(one["x"], one["y"])
        true = min(DUST, key=lambda grain: abs(grain[0] - x))
        assert (float(x), float(y)) == pytest.approx(true[:2], abs=1.5)
        assert one["grain_um"] == pytest.approx(true[2], rel=0.08)
        assert one["how"] == "divided"
    assert len(record["repairs"]) == 2


def test_a_grain_that_has_left_is_for_the_hand(tmp_path, test_frames):
    photo = save_jpeg(tmp_path / "p.jpg", f_number=16.0, seed=4, keep=DUST[:1])
    words = [photo, "--test-frames", *test_frames, "--filter-distance", "1", "--out", tmp_path / "out"]
    assert main(["retouch", *map(str, words)]) == 0
    gone = min(record_of(tmp_path / "out", photo)["repairs"], key=lambda one: abs(one["x"] - DUST[1][0]))
    assert gone["how"] == "left"
    assert gone["by_hand"].startswith("test frames foretell a shadow")
    assert gone["by_hand"].endswith("the picture shows 0 %")


def test_test_frames_stand_alone(tmp_path, test_frames, capsys):
    assert main(["retouch", str(test_frames[0]), "--roll", "--test-frames", str(test_frames[1])]) == 2
    assert "leave --roll, --from, --threshold and --detector out" in capsys.readouterr().err


def test_spots_have_the_numbers_that_find_gives_them(tmp_path):
    path = save(tmp_path / "a.png")
    assert main(["find", str(path), "--threshold", "8", "--f-number", "16", "--out", str(tmp_path / "found")]) == 0
    assert run(path, "--threshold", 8, "--out", tmp_path / "out") == 0
    found = {row["number"]: row for row in table(tmp_path / "found" / "a.png.spots.csv")}
    mended = table(tmp_path / "out" / "a.png.repairs.csv")
    assert len(mended) == len(found) == 2
    for row in mended:
        assert float(row["x"]) == pytest.approx(float(found[row["number"]]["x"]), abs=2)


def test_untrusted_spots_keep_their_place_in_the_count():
    """The second of three finds lies where the detector isn't trusted."""
    finds = [Find(20.0 * n, 30.0, 9.0, 10.0 - n, "scrub", trusted=n != 2) for n in (1, 2, 3)]

    class Told:
        detector = load("dog")

        def take(self, photograph, spots):
            return finds, {}

    picture = Picture(Path("x.png"), codes())
    plan = judge_planner(Told(), None)(Photograph(picture.pixels, f_number=16.0), picture)
    assert plan.numbers.tolist() == [1, 3]
    assert [one.number for one in plan.doubtful] == [2]


def test_grey_planes_with_transparency(tmp_path):
    """Grey and transparency in planes of their own: the grey changes, the other plane stays."""
    path = tmp_path / "a.tif"
    planes = np.stack([codes(16)[..., 1], np.full((HEIGHT, WIDTH), 50_000, np.uint16)])
    tifffile.imwrite(path, planes, photometric="minisblack", planarconfig="separate", extrasamples=["unassalpha"])
    touched = np.zeros((HEIGHT, WIDTH), bool)
    touched[50:80, 60:100] = True
    new = np.where(touched[..., None], np.uint16(12345), read_picture(path).pixels)
    (tmp_path / "b.tif").write_bytes(writer(path)(path, Change.of(read_picture(path), new, touched)))
    made = tifffile.imread(tmp_path / "b.tif")
    np.testing.assert_array_equal(made[0], np.where(touched, 12345, planes[0]))
    np.testing.assert_array_equal(made[1], planes[1])
