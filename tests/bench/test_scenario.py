"""The worked case that ships: files as a camera writes them, with truth beside them."""

import csv

import exifread
import pytest

from moteyard.bench.cli import main
from moteyard.bench.scenario import SCENARIOS, TRUTH
from moteyard.generators.photo_io import read_picture


@pytest.fixture(scope="module")
def coast(tmp_path_factory):
    out = tmp_path_factory.mktemp("coast") / "path"
    assert main(["render", "--scenario", "coast-path", "--out", str(out)]) == 0
    return out


def test_files_tell_what_a_camera_tells(coast):
    assert len(list(coast.glob("*.jpg"))) == len(SCENARIOS["coast-path"].shots)
    picture = read_picture(coast / "before-1.jpg")
    assert (picture.f_number, picture.focal_mm, picture.iso) == (22.0, 50.0, 100.0)
    assert picture.pixel_um == pytest.approx(6.0, abs=1e-3)
    with (coast / "walk-2.jpg").open("rb") as file:  # another library reads the same
        tags = exifread.process_file(file, details=False)
    assert float(tags["EXIF FNumber"].values[0]) == 16
    assert float(tags["EXIF FocalLength"].values[0]) == 24
    assert tags["EXIF FocalPlaneResolutionUnit"].values[0] == 3
    assert tags["EXIF DateTimeOriginal"].values == f"{read_picture(coast / 'walk-2.jpg').taken:%Y:%m:%d %H:%M:%S}"


@pytest.mark.parametrize("name", SCENARIOS)
def test_files_are_in_the_order_of_their_dates(name):
    taken = [shot.taken for shot in SCENARIOS[name].shots]
    assert taken == sorted(taken)
    assert all(change.before < len(taken) for change in SCENARIOS[name].changes)


def test_truth_follows_the_cleans(coast):
    with (coast / TRUTH).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    grains = {name: {row["grain"] for row in rows if row["file"] == f"{name}-1.jpg"} for name in ("before", "blown")}
    assert grains["before"] - grains["blown"]
    assert grains["before"] & grains["blown"]


def test_nothing_is_replaced_and_names_are_known(coast, capsys):
    assert main(["render", "--scenario", "coast-path", "--out", str(coast)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert main(["render", "--scenario", "coast-pth", "--out", str(coast)]) == 2
    assert "coast-path" in capsys.readouterr().err
