import contextlib
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageFile, ImageOps
from PIL.TiffImagePlugin import IFDRational

from moteyard.generators.exif import Exif
from moteyard.generators.orientation import turned
from moteyard.generators.photo_io import (
    LARGEST_PIXELS,
    PICTURE_SUFFIXES,
    Picture,
    PictureError,
    list_pictures,
    read_exif,
    read_picture,
)

PHOTOS = Path(__file__).parents[1] / "photos"


@pytest.fixture
def rng():
    return np.random.default_rng(1)


def noise(rng, shape=(12, 17, 3), dtype=np.uint8):
    return rng.integers(np.iinfo(dtype).max, size=shape, dtype=dtype, endpoint=True)


def write_png16(path, pixels):
    import imagecodecs

    path.write_bytes(imagecodecs.png_encode(pixels))


def write_png_header(path, width, height, bits=8):
    """Write a PNG that is only a claim: signature, IHDR, and an IDAT with next to nothing in it."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, bits, 2, 0, 0, 0)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", b"\0") + chunk(b"IEND", b""))


def camera_exif(**extra):
    exif = Image.Exif()
    exif[271] = "maker"  # without one tag of the first directory Pillow takes it for empty and writes none
    exif.get_ifd(0x8769).update({33437: IFDRational(28, 5), 37386: IFDRational(50), 34855: 200, **extra})
    return exif


# Pixels


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("shape", [(12, 17, 3), (12, 17), (12, 17, 4)])
@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_every_bit_comes_back(tmp_path, rng, suffix, shape, dtype):
    pixels, path = noise(rng, shape, dtype), tmp_path / f"picture{suffix}"
    if suffix == ".tif":
        kind = "minisblack" if len(shape) == 2 else "rgb"
        tifffile.imwrite(path, pixels, photometric=kind, extrasamples=["unassalpha"] if shape[2:] == (4,) else None)
    elif dtype == np.uint16:
        write_png16(path, pixels)
    else:
        Image.fromarray(pixels).save(path)
    picture = read_picture(path)
    expected = np.repeat(pixels[:, :, None], 3, axis=2) if len(shape) == 2 else pixels[:, :, :3]
    assert picture.pixels.dtype == dtype
    assert (picture.width, picture.height) == (17, 12)
    np.testing.assert_array_equal(picture.pixels, expected)


def test_sixteen_bits_are_not_reduced(tmp_path):
    # The one code between two 8-bit steps: 257·100 + 1.
    pixels = np.full((4, 5, 3), 25701, np.uint16)
    write_png16(tmp_path / "p.png", pixels)
    tifffile.imwrite(tmp_path / "p.tif", pixels, photometric="rgb")
    assert read_picture(tmp_path / "p.png").pixels.max() == 25701
    assert read_picture(tmp_path / "p.tif").pixels.max() == 25701


def test_pixels_are_read_only(tmp_path, rng):
    Image.fromarray(noise(rng)).save(tmp_path / "p.png")
    with pytest.raises(ValueError, match="read-only"):
        read_picture(tmp_path / "p.png").pixels[0, 0, 0] = 1


@pytest.mark.parametrize("compression", [None, "deflate", "lzw"])
@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_tiff_compressed_big_endian_and_in_planes(tmp_path, rng, compression, byteorder):
    pixels = noise(rng, dtype=np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", pixels, photometric="rgb", compression=compression, byteorder=byteorder)
    np.testing.assert_array_equal(read_picture(tmp_path / "a.tif").pixels, pixels)
    planes = np.ascontiguousarray(np.moveaxis(pixels, 2, 0))
    tifffile.imwrite(tmp_path / "b.tif", planes, photometric="rgb", planarconfig="separate", compression=compression)
    np.testing.assert_array_equal(read_picture(tmp_path / "b.tif").pixels, pixels)


def test_first_of_several_pages(tmp_path, rng):
    pages = noise(rng, (3, 12, 17, 3))
    tifffile.imwrite(tmp_path / "pages.tif", pages, photometric="rgb")
    np.testing.assert_array_equal(read_picture(tmp_path / "pages.tif").pixels, pages[0])


def test_palette_bilevel_and_transparency(tmp_path):
    red = Image.new("RGBA", (6, 4), (200, 10, 20, 0))
    red.save(tmp_path / "alpha.png")
    assert read_picture(tmp_path / "alpha.png").pixels[0, 0].tolist() == [200, 10, 20]
    palette = Image.new("P", (6, 4), 1)
    palette.putpalette([0, 0, 0, 9, 8, 7])
    palette.save(tmp_path / "palette.png", transparency=bytes([0, 255]))
    assert read_picture(tmp_path / "palette.png").pixels[0, 0].tolist() == [9, 8, 7]
    Image.new("1", (6, 4), 1).save(tmp_path / "bits.png")
    assert read_picture(tmp_path / "bits.png").pixels[0, 0].tolist() == [255, 255, 255]


def test_heic_near_lossless(tmp_path):
    import pillow_heif

    smooth = np.broadcast_to(np.linspace(20, 230, 64).astype(np.uint8)[None, :, None], (48, 64, 3))
    pillow_heif.from_pillow(Image.fromarray(np.ascontiguousarray(smooth))).save(tmp_path / "p.HEIC", quality=100)
    picture = read_picture(tmp_path / "p.HEIC")
    assert (picture.width, picture.height) == (64, 48)
    assert np.abs(picture.pixels.astype(int) - smooth).max() <= 4


def test_content_counts_and_not_the_name(tmp_path, rng):
    pixels = noise(rng)
    Image.fromarray(pixels).save(tmp_path / "really.png")
    (tmp_path / "really.png").rename(tmp_path / "named.jpg")
    np.testing.assert_array_equal(read_picture(tmp_path / "named.jpg").pixels, pixels)


def test_real_photograph_equals_pillow():
    picture = read_picture(PHOTOS / "pasture.jpg")
    np.testing.assert_array_equal(picture.pixels, np.asarray(Image.open(PHOTOS / "pasture.jpg")))
    assert picture == Picture(path=PHOTOS / "pasture.jpg", pixels=picture.pixels)


# Orientation


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".png", ".jpg", ".tif", "16.png", "16.tif"])
def test_orientation_as_pillow_turns_it(tmp_path, rng, orientation, suffix):
    pixels, path = noise(rng, (16, 24, 3)), tmp_path / f"turned{suffix}"
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(pixels).save(tmp_path / "eight.png", exif=exif)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(tmp_path / "eight.png")))
    sixteen = pixels.astype(np.uint16) * 257
    if suffix == "16.png":  # Pillow writes no 16-bit RGB: borrow the EXIF chunk of its 8-bit file
        write_png16(path, sixteen)
        eight, data = (tmp_path / "eight.png").read_bytes(), path.read_bytes()
        start = eight.index(b"eXIf") - 4
        length = struct.unpack(">I", eight[start : start + 4])[0] + 12
        path.write_bytes(data[:33] + eight[start : start + length] + data[33:])
    elif suffix.endswith(".tif"):
        array = sixteen if suffix == "16.tif" else pixels
        tifffile.imwrite(path, array, photometric="rgb", extratags=[(274, "H", 1, orientation, True)])
    else:
        Image.fromarray(pixels).save(path, exif=exif, quality=100, subsampling=0)
    picture = read_picture(path)
    got = picture.pixels // 257 if "16" in suffix else picture.pixels
    assert (picture.height, picture.width) == expected.shape[:2]
    tolerance = 12 if suffix == ".jpg" else 0
    assert np.abs(got.astype(int) - expected).max() <= tolerance


def test_heic_is_turned_once(tmp_path):
    import pillow_heif

    pixels = np.zeros((48, 64, 3), np.uint8)
    pixels[:24] = 200  # bright above as stored
    exif = Image.Exif()
    exif[274] = 6  # turn clockwise: what was above comes to the right
    heif = pillow_heif.from_pillow(Image.fromarray(pixels))
    heif.info["exif"] = exif.tobytes()  # written as a rotation box, by which readers must turn, and as EXIF
    heif.save(tmp_path / "p.heic", quality=100)
    picture = read_picture(tmp_path / "p.heic")
    assert (picture.width, picture.height) == (48, 64)
    assert picture.pixels[:, 40:].mean() > 190
    assert picture.pixels[:, :8].mean() < 10


def test_turning_by_hand():
    stored = np.array([[[1], [2]], [[3], [4]]])
    assert turned(stored, 6)[:, :, 0].tolist() == [[3, 1], [4, 2]]
    assert turned(stored, 8)[:, :, 0].tolist() == [[2, 4], [1, 3]]
    assert turned(stored, 0) is stored


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".png", ".tif", ".heic"])
def test_places_go_back_to_the_sensor(tmp_path, rng, orientation, suffix):
    import pillow_heif

    pixels, path = np.full((48, 64, 3), 60, np.uint8), tmp_path / f"turned{suffix}"
    pixels[10:13, 40:43] = 250  # a bright square about (41, 11) as stored
    exif = Image.Exif()
    exif[274] = orientation
    if suffix == ".tif":
        tifffile.imwrite(path, pixels, photometric="rgb", extratags=[(274, "H", 1, orientation, True)])
    elif suffix == ".heic":
        heif = pillow_heif.from_pillow(Image.fromarray(pixels))
        heif.info["exif"] = exif.tobytes()
        heif.save(path, quality=100)
    else:
        Image.fromarray(pixels).save(path, exif=exif)
    picture = read_picture(path)
    rows, columns = np.nonzero(picture.pixels[..., 1] > 155)
    x, y = picture.to_sensor(columns.mean(), rows.mean())
    assert (x, y) == pytest.approx((41, 11), abs=0.3 if suffix == ".heic" else 1e-9)
    assert picture.from_sensor(x, y) == pytest.approx((columns.mean(), rows.mean()))
    assert picture.sensor_size == (64, 48)
    assert read_exif(path).f_number is None


# What the camera says


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".heic"])
def test_exif_of_every_format(tmp_path, rng, suffix):
    import pillow_heif

    pillow_heif.register_heif_opener()
    path = tmp_path / f"p{suffix}"
    exif = camera_exif()
    if suffix == ".tif":  # Pillow writes the directory into a TIFF only where it is set as a tag
        exif[0x8769] = dict(exif.get_ifd(0x8769))
    Image.fromarray(noise(rng, (48, 64, 3))).save(path, exif=exif, icc_profile=b"profile")
    picture = read_picture(path)
    assert picture.f_number == pytest.approx(5.6)
    assert picture.focal_mm == 50
    assert picture.iso == 200
    assert picture.pixel_um is None
    assert picture.icc_profile == b"profile"


@pytest.mark.parametrize("suffix", [".jpg", ".tif", ".png"])
@pytest.mark.parametrize(("f_number", "focal", "equivalent"), [((28, 10), (35, 1), 52), ((11, 1), (1234, 10), 185)])
def test_exif_as_an_independent_reader_sees_it(tmp_path, rng, suffix, f_number, focal, equivalent):
    import exifread

    exif = camera_exif()
    exif[274] = 6
    exif.get_ifd(0x8769).update({
        33437: IFDRational(*f_number), 37386: IFDRational(*focal), 34855: 320, 41989: equivalent,
        40962: 24, 40963: 16, 41486: IFDRational(2000), 41488: 3,
    })  # fmt: skip
    path = tmp_path / f"p{suffix}"
    if suffix == ".tif":
        exif[0x8769] = dict(exif.get_ifd(0x8769))
    Image.fromarray(noise(rng, (16, 24, 3))).save(path, exif=exif)
    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    picture, facts = read_picture(path), read_exif(path)
    number = {name: float(tags[f"EXIF {name}"].values[0]) for name in ("FNumber", "FocalLength", "ISOSpeedRatings")}
    assert picture.f_number == facts.f_number == pytest.approx(number["FNumber"])
    assert picture.focal_mm == facts.focal_mm == pytest.approx(number["FocalLength"])
    assert picture.iso == facts.iso == number["ISOSpeedRatings"]
    assert picture.orientation == tags["Image Orientation"].values[0] == 6
    per_cm = float(tags["EXIF FocalPlaneXResolution"].values[0])
    assert picture.pixel_um == pytest.approx(10_000 / per_cm)


def test_ten_bits_of_heic_are_kept(tmp_path):
    import pillow_heif

    codes = np.repeat(np.arange(1024, dtype=np.uint16)[None, :, None].repeat(64, 0), 3, axis=2)
    heif = pillow_heif.from_bytes(mode="RGB;16", size=(1024, 64), data=(codes << 6).tobytes())
    heif.save(tmp_path / "d.heic", quality=-1, chroma=444)
    picture = read_picture(tmp_path / "d.heic")
    assert picture.pixels.dtype == np.uint16
    assert len(np.unique(picture.pixels[32, :, 1])) > 900  # of 1024 codes; 8 bits have 256
    found, want = picture.pixels[32].astype(float), codes[32] * (65_535 / 1023)
    assert np.abs(found - want).max() < 3 * 65_535 / 1023  # colour is turned to YCbCr of ten bits and back
    assert picture.pixels.max() > 65_000


def test_a_turned_heic_keeps_its_pitch(tmp_path, rng):
    import pillow_heif

    exif = camera_exif()
    exif[274] = 6
    exif.get_ifd(0x8769).update({40962: 64, 40963: 48, 41486: IFDRational(2000), 41488: 3})
    heif = pillow_heif.from_pillow(Image.fromarray(noise(rng, (48, 64, 3))))
    heif.info["exif"] = exif.tobytes()
    heif.save(tmp_path / "p.heic")
    picture = read_picture(tmp_path / "p.heic")
    assert (picture.width, picture.height) == (48, 64)
    assert picture.pixel_um == pytest.approx(5.0)


def test_no_exif_is_none(tmp_path, rng):
    Image.fromarray(noise(rng)).save(tmp_path / "p.jpg")
    picture = read_picture(tmp_path / "p.jpg")
    assert (picture.f_number, picture.focal_mm, picture.iso, picture.pixel_um) == (None,) * 4
    assert picture.icc_profile is None


def test_f_number_zero_over_zero_is_unknown(tmp_path, rng):
    exif = camera_exif()
    exif.get_ifd(0x8769)[33437] = IFDRational(0, 0)
    Image.fromarray(noise(rng)).save(tmp_path / "p.jpg", exif=exif)
    assert read_picture(tmp_path / "p.jpg").f_number is None


def test_pitch_from_focal_plane_resolution(tmp_path, rng):
    # 2000 pixels a centimetre are 5 µm; 5080 an inch too.
    for unit, resolution in ((3, 2000), (2, 5080)):
        exif = camera_exif()
        exif.get_ifd(0x8769).update({41486: IFDRational(resolution), 41488: unit})
        Image.fromarray(noise(rng)).save(tmp_path / "p.jpg", exif=exif)
        assert read_picture(tmp_path / "p.jpg").pixel_um == pytest.approx(5.0)


def test_pitch_from_the_equivalent_focal_length():
    # Equal to the real one: a 36×24 mm sensor. 6000 pixels across 36 mm are 6 µm; crop factor 1.5 makes it 4.
    full = Exif({"FocalLength": 50, "FocalLengthIn35mmFilm": 50})
    crop = Exif({"FocalLength": 50, "FocalLengthIn35mmFilm": 75})
    assert full.pixel_um(6000, 4000) == pytest.approx(6.0)
    assert crop.pixel_um(6000, 4000) == pytest.approx(4.0)
    assert Exif({"FocalLengthIn35mmFilm": 75}).pixel_um(6000, 4000) is None


def test_pitch_is_unknown_once_the_picture_was_resized():
    values = {"FocalPlaneXResolution": 2000, "FocalPlaneResolutionUnit": 3, "PixelXDimension": 6000}
    assert Exif(values).pixel_um(6000, 4000) == pytest.approx(5.0)
    assert Exif(values).pixel_um(3000, 2000) is None


@pytest.mark.parametrize("value", [0, -4, "f/8", None, (), float("nan"), b"\0"])
def test_nonsense_in_exif_is_unknown(value):
    exif = Exif({"FNumber": value, "FocalPlaneXResolution": value, "FocalPlaneResolutionUnit": value})
    assert exif.f_number is None
    assert exif.pixel_um(6000, 4000) is None


def test_implausible_pitch_is_unknown():
    assert Exif({"FocalPlaneXResolution": 72, "FocalPlaneResolutionUnit": 2}).pixel_um(6000, 4000) is None


# Errors


def test_missing_empty_and_folder(tmp_path):
    (tmp_path / "empty.jpg").touch()
    with pytest.raises(PictureError, match=r"there is no file .*gone.jpg"):
        read_picture(tmp_path / "gone.jpg")
    with pytest.raises(PictureError, match=r"empty.jpg is empty \(0 bytes\)"):
        read_picture(tmp_path / "empty.jpg")
    with pytest.raises(PictureError, match=r"is a folder, not a picture"):
        read_picture(tmp_path)


def test_not_a_picture(tmp_path):
    (tmp_path / "text.jpg").write_text("This is a letter and not a picture.")
    with pytest.raises(PictureError, match=r"text.jpg is not a picture in JPEG, PNG, TIFF or HEIC"):
        read_picture(tmp_path / "text.jpg")


@pytest.mark.parametrize("name", ["p.jpg", "p.png", "p.heic", "p16.png", "p.tif", "packed.tif", "p16.tif"])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_cut_short(tmp_path, rng, name, share):
    import pillow_heif

    pillow_heif.register_heif_opener()
    assert not ImageFile.LOAD_TRUNCATED_IMAGES
    path, pixels = tmp_path / name, noise(rng, (64, 80, 3))
    if name == "p16.png":
        write_png16(path, pixels.astype(np.uint16) * 257)
    elif name.endswith(".tif"):
        array = pixels.astype(np.uint16) if "16" in name else pixels
        packed = "deflate" if name == "packed.tif" else None
        tifffile.imwrite(path, array, photometric="rgb", compression=packed, rowsperstrip=8)
    else:
        Image.fromarray(pixels).save(path)
    data = path.read_bytes()
    read_picture(path)
    path.write_bytes(data[: int(share * len(data))])
    says = r"is cut short: parts" if name.endswith(".tif") else r"(is|can't be decoded, it is) (cut short|not a)"
    with pytest.raises(PictureError, match=f"{name} {says}"):
        read_picture(path)


def test_tiff_with_a_hole_is_not_black(tmp_path, rng):
    path = tmp_path / "hole.tif"
    tifffile.imwrite(path, noise(rng, (64, 80, 3)), photometric="rgb", rowsperstrip=8, compression="deflate")
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        tag = tiff.pages.first.tags["StripByteCounts"]
        tag.overwrite([0, *tag.value[1:]])
    assert not tifffile.imread(path)[:8].any()  # the library fills the hole without a word
    with pytest.raises(PictureError, match=r"hole.tif is cut short: parts of its pixels are missing"):
        read_picture(path)


@pytest.mark.parametrize("name", ["p.jpg", "p.png", "p.tif", "packed.tif"])
def test_damage_is_a_picture_error_or_a_picture(tmp_path, rng, name):
    path, pixels = tmp_path / name, noise(rng, (24, 32, 3))
    if name.endswith(".tif"):
        packed = "deflate" if name == "packed.tif" else None
        tifffile.imwrite(path, pixels, photometric="rgb", compression=packed)
    else:
        Image.fromarray(pixels).save(path)
    data, messages = path.read_bytes(), []
    for place in range(0, min(len(data), 300), 3):
        path.write_bytes(data[:place] + bytes([data[place] ^ 0x10]) + data[place + 1 :])
        try:
            read_picture(path)
        except PictureError as error:
            messages.append(str(error))
    assert len(messages) > 5
    assert all(name in message for message in messages)


@pytest.mark.parametrize("place", [4, 6, 12])
def test_damaged_tiff_leaves_no_line_beside_the_error(tmp_path, rng, capfd, caplog, place):
    path = tmp_path / "p.tif"
    tifffile.imwrite(path, noise(rng, (64, 80, 3)), photometric="rgb", description="words " * 50)
    data = bytearray(path.read_bytes())
    data[place] ^= 0x10
    path.write_bytes(data)
    with contextlib.suppress(Exception), tifffile.TiffFile(path) as tiff:
        tiff.pages.first.asarray()
    assert caplog.records  # so there is something to keep back
    capfd.readouterr()
    caplog.clear()
    with contextlib.suppress(PictureError):
        read_picture(path)
    assert caplog.records == []
    assert capfd.readouterr().err == ""
    with caplog.at_level("WARNING"):
        tifffile.logger().warning("heard again")
    assert caplog.messages == ["heard again"]


@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.int16, np.uint32])
def test_tiff_of_other_numbers(tmp_path, dtype):
    tifffile.imwrite(tmp_path / "p.tif", np.zeros((8, 9, 3), dtype), photometric="rgb")
    with pytest.raises(PictureError, match=rf"samples of type {np.dtype(dtype)}; save it as 8- or 16-bit TIFF"):
        read_picture(tmp_path / "p.tif")


def test_raw_and_cmyk(tmp_path, rng):
    tifffile.imwrite(tmp_path / "a.dng", noise(rng), photometric="rgb")
    tifffile.imwrite(tmp_path / "b.tif", noise(rng), photometric="rgb", extratags=[(50706, "B", 4, (1, 4, 0, 0), True)])
    for name in ("a.dng", "b.tif"):
        with pytest.raises(PictureError, match=rf"{name} is a camera raw .* develop it to a 16-bit TIFF first"):
            read_picture(tmp_path / name)
    tifffile.imwrite(tmp_path / "c.tif", noise(rng, (8, 9, 4)), photometric="separated")
    with pytest.raises(PictureError, match=r"TIFF of kind SEPARATED, not grey or RGB; convert it to RGB first"):
        read_picture(tmp_path / "c.tif")
    Image.new("CMYK", (9, 8)).save(tmp_path / "d.jpg")
    with pytest.raises(PictureError, match=r"d.jpg is CMYK, not grey or RGB; convert it to RGB first"):
        read_picture(tmp_path / "d.jpg")


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("size", [(13_400, 13_400), (60_000, 60_000)])
def test_claims_of_too_many_pixels(tmp_path, bits, size):
    write_png_header(tmp_path / "huge.png", *size, bits)
    assert size[0] * size[1] > LARGEST_PIXELS
    with pytest.raises(PictureError, match=rf"huge.png claims .*{LARGEST_PIXELS}"):
        read_picture(tmp_path / "huge.png")


def test_large_pictures_of_real_cameras_pass_the_limit(tmp_path):
    # 14204×10652 = 151 MP: Pillow warns from 89 MP on, which must not leak. Cut short, so never decoded.
    write_png_header(tmp_path / "large.png", 14204, 10652)
    with pytest.raises(PictureError, match=r"large.png can't be decoded"):
        read_picture(tmp_path / "large.png")


# Folders


def test_list_is_sorted_and_only_pictures(tmp_path):
    for name in ("b.JPG", "a.tiff", "c.heic", "b.mask.png", "notes.txt", "._b.JPG", "raw.nef", "A.png"):
        (tmp_path / name).touch()
    (tmp_path / "folder.jpg").mkdir()
    assert [path.name for path in list_pictures(tmp_path)] == ["A.png", "a.tiff", "b.JPG", "c.heic"]
    assert set(PICTURE_SUFFIXES) >= {".jpg", ".png", ".tif", ".heic"}


def test_list_of_no_folder(tmp_path):
    with pytest.raises(FileNotFoundError, match=r"there is no folder .*nowhere"):
        list_pictures(tmp_path / "nowhere")
    (tmp_path / "file").touch()
    with pytest.raises(NotADirectoryError, match=r"file is not a folder"):
        list_pictures(tmp_path / "file")
