"""A user's own pictures: which are used, what is left out of them, and what is remembered."""

import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from moteyard.generators.backgrounds import PhotographFolder
from moteyard.generators.photo_cache import PictureCache
from moteyard.generators.photo_facts import known_f_number

SHAPE = (40, 50)


def save(path, shape=(90, 120), f_number=None, code=128):
    exif = Image.Exif()
    if f_number is not None:
        exif[271] = "maker"
        exif.get_ifd(0x8769)[33437] = IFDRational(round(10 * f_number), 10)
    Image.fromarray(np.full((*shape, 3), code, np.uint8)).save(path, exif=exif)


def rng(seed=1):
    return np.random.default_rng(seed)


def test_wide_apertures_are_preferred(tmp_path):
    for name, f_number in (("a.jpg", 5.6), ("b.jpg", 8), ("c.jpg", None), ("d.jpg", 2.8)):
        save(tmp_path / name, f_number=f_number)
    folder = PhotographFolder(str(tmp_path))
    assert folder.sources() == ("a.jpg", "d.jpg")
    assert folder.notes() == (
        f"2 of the 4 pictures in {tmp_path} are used, those taken at f/5.6 or wider, where dust seldom shows",
    )
    every = PhotographFolder(str(tmp_path), prefer_wide=False)
    assert every.sources() == ("a.jpg", "b.jpg", "c.jpg", "d.jpg")
    (note,) = every.notes()
    assert "of the 4 pictures used" in note
    assert "1 taken above f/5.6 and 1 of unknown f-number may show dust of their own" in note
    assert PhotographFolder(str(tmp_path), file="b.jpg").sources() == ("b.jpg",)


def test_without_wide_ones_all_are_used_and_it_is_said(tmp_path):
    save(tmp_path / "a.jpg", f_number=11)
    save(tmp_path / "b.jpg", f_number=16)
    folder = PhotographFolder(str(tmp_path))
    assert folder.sources() == ("a.jpg", "b.jpg")
    (note,) = folder.notes()
    assert note.startswith(f"of the 2 pictures used in {tmp_path}, 2 taken above f/5.6 may show dust")
    assert note.endswith(f"moteyard check-photos {tmp_path} looks for it")


def test_a_changed_file_is_looked_at_anew(tmp_path):
    save(tmp_path / "a.jpg", f_number=11)
    assert known_f_number(tmp_path / "a.jpg") == 11
    save(tmp_path / "a.jpg", shape=(100, 120), f_number=4)
    assert known_f_number(tmp_path / "a.jpg") == 4
    (tmp_path / "a.jpg").write_bytes(b"no picture")
    assert known_f_number(tmp_path / "a.jpg") is None


@pytest.mark.parametrize("mask", ["a.mask.png", "a.jpg.mask.png"])
def test_masked_places_are_avoided(tmp_path, mask):
    save(tmp_path / "a.jpg", shape=(60, 200))
    white = np.zeros((60, 200), np.uint8)
    white[:, :100] = 255
    Image.fromarray(white).save(tmp_path / mask)
    folder = PhotographFolder(str(tmp_path))
    assert folder.sources() == ("a.jpg",)
    np.testing.assert_array_equal(folder.mask("a.jpg"), white > 0)
    # Half of all cuttings touch the mask; of sixteen tries the best hardly ever does.
    assert np.mean([folder.ignored(SHAPE, rng(seed)).any() for seed in range(20)]) < 0.1


def test_what_is_ignored_lies_where_the_light_was_cut(tmp_path):
    pixels = np.random.default_rng(3).integers(0, 200, (60, 70, 3), dtype=np.uint8)
    dots = np.random.default_rng(4).random((60, 70)) < 0.2
    pixels[dots] = 255
    Image.fromarray(pixels).save(tmp_path / "a.png")
    Image.fromarray(dots.astype(np.uint8) * 255).save(tmp_path / "a.mask.png")
    folder = PhotographFolder(str(tmp_path), exposure=1.0)
    for seed in range(5):
        light, ignored = folder.paint(SHAPE, rng(seed)), folder.ignored(SHAPE, rng(seed))
        np.testing.assert_array_equal(ignored, (light == 1.0).all(axis=2))


def test_a_halved_mask_keeps_every_dot(tmp_path):
    save(tmp_path / "a.png", shape=(2 * SHAPE[0], 2 * SHAPE[1]))
    dots = np.zeros((2 * SHAPE[0], 2 * SHAPE[1]), np.uint8)
    dots[7, 11] = 255
    Image.fromarray(dots).save(tmp_path / "a.mask.png")
    ignored = PhotographFolder(str(tmp_path)).ignored(SHAPE, rng())
    assert np.argwhere(ignored).tolist() == [[3, 5]]


def test_a_mask_changes_nothing_where_there_is_none(tmp_path):
    save(tmp_path / "a.jpg")
    folder = PhotographFolder(str(tmp_path))
    assert folder.mask("a.jpg") is None
    assert not folder.ignored(SHAPE, rng()).any()


def test_a_mask_of_another_size(tmp_path):
    save(tmp_path / "a.jpg")
    Image.fromarray(np.zeros((30, 40), np.uint8)).save(tmp_path / "a.mask.png")
    with pytest.raises(ValueError, match=r"a.mask.png is 40×30 and its picture 120×90; make the mask anew"):
        PhotographFolder(str(tmp_path)).paint(SHAPE, rng())


def test_pictures_are_kept_until_they_change_or_room_is_needed(tmp_path):
    for name in ("a.png", "b.png", "c.png"):
        save(tmp_path / name, shape=(10, 10))
    cache = PictureCache(most_bytes=2 * 300)
    first = cache.read(tmp_path / "a.png")
    assert cache.read(tmp_path / "a.png") is first
    cache.read(tmp_path / "b.png")
    cache.read(tmp_path / "a.png")
    cache.read(tmp_path / "c.png")  # b was used longest ago and makes room
    assert cache.read(tmp_path / "a.png") is first
    assert cache.size_bytes == 600
    save(tmp_path / "a.png", shape=(10, 9))
    assert cache.read(tmp_path / "a.png").width == 9
    save(tmp_path / "d.png", shape=(20, 20))
    large = cache.read(tmp_path / "d.png")
    assert cache.read(tmp_path / "d.png") is not large
    assert cache.size_bytes <= 600
