"""`moteyard survey` on rendered files of known truth, and the geometry that its advice rests on."""

import csv
import io
import math
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from moteyard.bench.cli import main
from moteyard.bench.errors import YardError
from moteyard.bench.field.survey import command, limit
from moteyard.bench.field.survey.clean import lens_lines
from moteyard.bench.field.survey.compare import Fate, compare
from moteyard.bench.field.survey.frames import read_frames
from moteyard.bench.field.survey.limit import Recipe
from moteyard.bench.field.survey.next_step import Step, first_step, next_step
from moteyard.bench.field.survey.place import OnSensor, facing_the_mount, in_words
from moteyard.bench.field.survey.record import read_record, records_in
from moteyard.bench.field.survey.report import clean_lines, dust_lines
from moteyard.bench.field.survey.table import Line
from moteyard.bench.field.survey.visible import F_NUMBERS, shows_from, visibility
from moteyard.bench.visibility import Viewing, visibility_level
from moteyard.detectors.contract import Photograph
from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics, exact_f_number
from moteyard.generators.particles import Population
from moteyard.generators.roll import Exposure, LensChange, Roll, render_exposure
from moteyard.generators.shadow import cast
from moteyard.generators.transfer import encode

WIDTH, HEIGHT, PIXEL_UM = 480, 320, 6.0


def save(path, pixels, *, f_number=22.0, orientation=1, iso=100, pixel_um=PIXEL_UM, focal=50):
    exif = Image.Exif()
    exif[271], exif[274] = "maker", orientation
    words = {37386: IFDRational(focal), 34855: iso}
    if f_number:
        words[33437] = IFDRational(round(10 * f_number), 10)
    if pixel_um:  # pixels per centimetre
        words |= {41486: IFDRational(round(1e7 / pixel_um), 1000), 41488: 3}
    exif.get_ifd(0x8769).update(words)
    Image.fromarray(pixels).save(path, "JPEG", quality=95, exif=exif)


@pytest.fixture(scope="module")
def roll():
    test = Exposure("screen", f_number=22.0, is_test_frame=True)
    return Roll(
        "clean",
        (test, test, replace(test, exit_pupil_mm=40.0), replace(test, exit_pupil_mm=40.0)),
        optics=Optics(pixel_um=PIXEL_UM),
        camera=Camera(width_px=WIDTH, height_px=HEIGHT),
        population=Population(mean_count=14, smallest_um=15),
        changes=(LensChange(2, gone=0.5, moved=0.0, come=0.15),),
        seed=(1, 11),
    )


@pytest.fixture(scope="module")
def frames(roll):
    return [render_exposure(roll, index) for index in range(4)]


@pytest.fixture
def files(frames, tmp_path):
    paths = [tmp_path / f"t{number}.jpg" for number in range(4)]
    for frame, path in zip(frames, paths, strict=True):
        save(path, frame.pixels)
    return [str(path) for path in paths]


@pytest.fixture(autouse=True)
def few_pieces(monkeypatch):
    monkeypatch.setattr(command, "PIECES", 6)
    monkeypatch.setattr(limit, "FIRST_PIECES", 2)


def rows_of(path):
    with path.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def line(diameter=40.0, *, right=0.0, up=0.0, shows=True, number=1):
    levels = (2.0 if shows else 0.2,) * len(F_NUMBERS)
    return Line(number, 0.0, 0.0, OnSensor(right, up), "centre", diameter, 0.1, 0.5, 9.0, levels, None)


# The command


def test_one_survey(files, frames, tmp_path, capsys):
    out = tmp_path / "survey"
    assert main(["survey", *files[:2], "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "the test frames are good ones" in said
    assert "with 95 % confidence" in said
    rows, truth = rows_of(out / "grains.csv"), frames[0].truth
    places = np.array([(float(row["x"]), float(row["y"]), float(row["diameter_um"])) for row in rows])
    for x, y, diameter in zip(truth.x, truth.y, truth.diameter_um, strict=True):
        far = np.hypot(places[:, 0] - x, places[:, 1] - y)
        if np.sort(np.hypot(truth.x - x, truth.y - y))[1] > 15:
            assert far.min() < 1
            assert places[far.argmin(), 2] == pytest.approx(diameter, rel=0.1)
    first = rows[0]
    assert float(first["right_mm"]) == pytest.approx((float(first["x"]) - 239.5) * 0.006, abs=0.006)
    assert float(first["up_mm"]) == pytest.approx((float(first["y"]) - 159.5) * 0.006, abs=0.006)
    with Image.open(out / "sensor.png") as picture:
        assert min(picture.size) > 400
    kept = read_record(out / "survey.json")
    assert [grain.diameter_um for grain in kept.grains] == pytest.approx(
        [float(r["diameter_um"]) for r in rows], abs=0.06
    )
    assert (kept.frames, kept.f_number, kept.focal_mm, kept.taken) == (("t0.jpg", "t1.jpg"), 22.0, 50.0, None)
    assert main(["survey", *files[:2], "--out", str(out)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_a_clean_with_another_lens(files, frames, tmp_path, capsys):
    out = tmp_path / "survey"
    words = ["survey", "--before", *files[:2], "--after", *files[2:], "--cleaned-by", "blower", "--out", str(out)]
    words += ["--taken", "2026-05-31"]
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "NEXT STEP" in said
    before, after = (set(frames[index].truth.identity.tolist()) for index in (0, 2))
    rows = rows_of(out / "changes.csv")
    fates = {fate: sum(row["fate"] == fate for row in rows) for fate in Fate}
    assert fates[Fate.STAYED] == pytest.approx(len(before & after), abs=1)
    assert fates[Fate.WENT] + fates[Fate.MOVED] == pytest.approx(len(before - after), abs=1)
    assert fates[Fate.NEW] + fates[Fate.MOVED] == pytest.approx(len(after - before), abs=1)
    for name in ("before.csv", "after.csv", "changes.png", "sensor.png"):
        assert (out / name).exists()
    earlier, later = records_in(out)  # of one day: the one after the clean is the later one
    assert (earlier.cleaned_by, later.cleaned_by) == ("", "blower")
    assert [len(one.grains) for one in (earlier, later)] == [
        len(rows_of(out / f"{n}.csv")) for n in ("before", "after")
    ]


def test_an_upright_file_maps_to_the_same_sensor_place(frames, tmp_path):
    save(tmp_path / "level.jpg", frames[0].pixels)
    for orientation in (3, 6, 8):
        save(tmp_path / "turned.jpg", frames[0].pixels, orientation=orientation)
        paths = [tmp_path / "level.jpg", tmp_path / "turned.jpg"]
        level, turned = read_frames(paths, sensor=None, f_number=None)
        assert np.array_equal(level.photograph.pixels, turned.photograph.pixels)


def test_the_sensor_by_hand(frames, tmp_path, capsys):
    save(tmp_path / "a.jpg", frames[0].pixels, pixel_um=None)
    assert main(["survey", str(tmp_path / "a.jpg"), "--out", str(tmp_path / "o")]) == 2
    assert "say it in mm with --sensor" in capsys.readouterr().err
    # 2.88 mm over 480 pixels are 6 µm each; the longer side is the picture's, whichever is said first.
    for said in ((2.88, 1.92), (1.92, 2.88)):
        (frame,) = read_frames([tmp_path / "a.jpg"], sensor=said, f_number=None)
        assert frame.photograph.pixel_um == pytest.approx(6.0)
    with pytest.raises(YardError, match="pixels of 75 µm, which no camera has"):  # 36 mm over 480 pixels
        read_frames([tmp_path / "a.jpg"], sensor=(36.0, 24.0), f_number=None)


def test_the_frame_of_36_by_24_mm(tmp_path):
    save(tmp_path / "a.jpg", np.full((400, 600, 3), 150, np.uint8), pixel_um=None)
    exif = Image.Exif()
    exif[271] = "maker"
    exif.get_ifd(0x8769).update({33437: IFDRational(22), 37386: IFDRational(2), 41989: 50})  # 25 times smaller
    Image.open(tmp_path / "a.jpg").save(tmp_path / "b.jpg", exif=exif)
    (frame,) = read_frames([tmp_path / "b.jpg"], sensor=None, f_number=None)
    assert 25**2 * math.prod(frame.size_mm) == pytest.approx(864, rel=1e-3)  # mm², 135 format


def status_of(words):
    """Return the exit status, whether the parser leaves or the command answers."""
    try:
        return main(words)
    except SystemExit as stopped:
        return stopped.code


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ([], "give test frames, best two or more"),
        (["{0}", "--sensor", "36x36"], "not the shape of a sensor of 36×36 mm"),
        (["{0}", "--sensor", "36"], "is not a width and a height in mm"),
        (["--before", "{0}"], "--before and --after go together"),
        (["{0}", "--before", "{0}", "--after", "{1}"], "either alone or as --before and --after"),
        (["{0}", "--cleaned-by", "swab"], "goes with --before and --after"),
        (["{0}", "nowhere.jpg"], "nowhere.jpg"),
    ],
)
def test_what_a_user_may_get_wrong(files, words, sentence, capsys, tmp_path):
    asked = [word.format(*files) for word in words]
    assert status_of(["survey", *asked, "--out", str(tmp_path / "o")]) == 2
    assert sentence in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


def test_frames_that_do_not_belong_together(frames, tmp_path, capsys):
    save(tmp_path / "a.jpg", frames[0].pixels)
    save(tmp_path / "f16.jpg", frames[1].pixels, f_number=16.0)
    save(tmp_path / "small.jpg", frames[1].pixels[:, :300])
    save(tmp_path / "long.jpg", frames[1].pixels, focal=85)
    save(tmp_path / "none.jpg", frames[1].pixels, f_number=None)
    for name, sentence in (
        ("f16.jpg", "take all test frames at the smallest aperture"),
        ("small.jpg", "test frames come from one camera"),
        ("long.jpg", "one lens and focal length"),
        ("none.jpg", "say it with --f-number"),
    ):
        assert main(["survey", str(tmp_path / "a.jpg"), str(tmp_path / name)]) == 2
        assert sentence in capsys.readouterr().err


# Advice


def screen(tmp_path, change, *, name="s.jpg", **exif):
    """Return what is advised on one frame of a grey screen, changed."""
    y, x = np.indices((300, 400))
    light = 0.55 * (1 + 0.004 * np.random.default_rng(5).standard_normal((300, 400, 1))) * np.ones(3)
    save(tmp_path / name, encode(change(light, x, y), bits=8, encoding="srgb"), **exif)
    return " ".join(command.look([tmp_path / name], command.Asked()).advice)


@pytest.mark.parametrize(
    ("change", "exif", "sentence"),
    [
        (lambda light, x, y: light, {"f_number": 8.0}, "aperture: f/8 hides small grains"),
        (lambda light, x, y: light, {"iso": 3200}, "ISO 3200 is noisy"),
        (lambda light, x, y: light * 0.1, {}, "3.6 stops more"),  # log2(0.7/0.055) = 3.67
        (lambda light, x, y: np.where(x[..., None] < 100, 1.0, light), {}, "is clipped"),
        (lambda light, x, y: np.where(x[..., None] < 100, 0.01, light), {}, "until the screen fills the frame"),
        (lambda light, x, y: light * (0.4 + 0.6 * x / 400)[..., None], {}, "light the screen evenly"),
        (lambda light, x, y: light * (1 + 0.03 * np.sin(x / 2))[..., None], {}, "focus at infinity"),
    ],
)
def test_advice(tmp_path, change, exif, sentence):
    assert sentence in screen(tmp_path, change, **exif)


def test_a_good_screen_needs_a_second_frame_only(tmp_path):
    said = screen(tmp_path, lambda light, x, y: light)
    assert said.startswith("frames: with one frame marks of the screen can't be told from dust")


# Visibility against aperture


def test_the_apertures_are_full_stops():
    assert [exact_f_number(number) for number in F_NUMBERS] == pytest.approx([2 ** (k / 2) for k in range(4, 10)])


def test_the_table_agrees_with_the_model():
    optics, viewing = Optics(f_number=22.0), Viewing()
    shadow = cast(33.0, replace(optics, f_number=8.0), x=0.0, y=0.0)
    exact = visibility_level(
        shadow.peak_depth, shadow.fwhm_px, pixels_per_degree=viewing.pixels_per_degree, luminance_cd_m2=100.0
    )
    found = visibility([33.0], optics, viewing=viewing)
    assert found[0, F_NUMBERS.index(8.0)] == pytest.approx(float(exact), rel=0.05)
    assert np.all(np.diff(found[0]) > 0)


def test_shows_from_the_widest_aperture_from_which_on_it_is_seen():
    levels = np.array([[0.1, 0.5, 1.0, 2, 3, 4], [0.1] * 6, [2.0] * 6, [0.1, 3, 0.5, 1.5, 2, 3]])
    assert shows_from(levels) == [8.0, None, 4.0, 11.0]


# Where to look: rays through a lens


def seen_facing_the_mount(scene_right, scene_up):
    """Trace a scene's point through the centre of a lens to the sensor, and look at the sensor from the lens.

    Photographer's axes: x right, y up, z towards the scene; the lens at the origin, the sensor at z = −1. A ray
    through the lens's centre goes straight. Who faces the mount looks along −z with y up, so that his right is −x.
    """
    scene = np.array([scene_right, scene_up, 10.0])
    on_sensor = scene * (-1.0 / scene[2])
    return OnSensor(-on_sensor[0], on_sensor[1])


@pytest.mark.parametrize(("right", "up"), [(3.0, 2.0), (-3.0, 2.0), (3.0, -2.0), (-3.0, -2.0)])
def test_top_is_at_the_bottom_and_left_stays_left(right, up):
    # In the picture the scene's right is right and its top is at the top, y running down.
    x, y = 99.5 + 10 * right, 49.5 - 10 * up
    told = facing_the_mount(x, y, shape=(100, 200), pixel_um=10.0)
    traced = seen_facing_the_mount(right, up)
    assert (told.right_mm, told.up_mm) == pytest.approx((traced.right_mm, traced.up_mm))


def test_places_in_words():
    upper_left = facing_the_mount(100, 100, shape=(4000, 6000), pixel_um=6.0)
    assert in_words(upper_left, size_mm=(36, 24)) == "bottom left"


# Before and after


def test_fates():
    before = [line(80, right=5, up=3), line(60, right=-5, up=2), line(40, right=0, up=-4), line(30, right=9, up=9)]
    after = [line(81, right=5.01, up=3), line(40.5, right=0.8, up=-4), line(20, right=-9, up=-9)]
    done = compare(before, after)
    assert [change.fate for change in done.changes] == [Fate.STAYED, Fate.WENT, Fate.MOVED, Fate.WENT, Fate.NEW]
    assert done.magnification == 1.0


def test_another_lens_is_allowed_for():
    rng = np.random.default_rng(3)
    before = [
        line(d, right=x, up=y) for d, x, y in zip(*rng.uniform([20, -18, -12], [90, 18, 12], (9, 3)).T, strict=True)
    ]
    after = [replace(g, place=OnSensor(g.place.right_mm * 1.0125, g.place.up_mm * 1.0125)) for g in before[:6]]
    done = compare(before, after)
    assert len(done.of(Fate.STAYED)) == 6
    assert done.magnification == pytest.approx(1.0125, abs=2e-4)


def test_another_lens_that_too_few_grains_tell_of(frames, tmp_path):
    save(tmp_path / "a.jpg", frames[0].pixels, focal=50)
    save(tmp_path / "b.jpg", frames[0].pixels, focal=85)
    before, after = (read_frames([tmp_path / name], sensor=None, f_number=None) for name in ("a.jpg", "b.jpg"))
    said = " ".join(" ".join(lens_lines(before, after, compare([line()], []))).split())
    # 3 % of half the diagonal of 480×320 pixels of 6 µm, 1.73 mm.
    assert "b.jpg: taken at 85 mm, the first at 50 mm" in said
    assert "±3 %, 0.052 mm in the corners" in said
    assert lens_lines(before, before, compare([line()], [])) == []


def test_nothing_before_and_nothing_after():
    assert compare([], []).changes == ()
    assert [change.fate for change in compare([], [line()]).changes] == [Fate.NEW]


def test_steps_climb_and_end_with_service():
    stays, gone = compare([line()], [line()]), compare([line()], [])
    assert first_step([line()]) == Step.SHAKE
    assert first_step([line(shows=False)]) == Step.NONE
    assert next_step(gone, last=Step.BLOWER) == Step.NONE
    assert [next_step(stays, last=last) for last in (None, Step.SHAKE, Step.BLOWER, Step.SWAB, Step.DRY)] == [
        Step.BLOWER, Step.BLOWER, Step.SWAB, Step.SERVICE, Step.SERVICE,
    ]  # fmt: skip
    half = compare([line(right=5), line(right=-5)], [line(right=5)])
    assert next_step(half, last=Step.BLOWER) == Step.BLOWER
    ring = compare([line()], [line(), line(120, right=4)])
    assert next_step(ring, last=Step.SWAB) == Step.DRY


# The statement of cleanliness


def statement(**changed):
    whole = limit.Statement(
        a90_95_um=7.0, a50_um=5.0, share=0.99, trials=200, found=120, false_per_megapixel=0.0, note=""
    )
    return replace(whole, **changed)


def test_what_is_said_of_a_clean_sensor():
    low, high = [0.1] * 6, [0.1, 0.1, 0.2, 0.5, 1.2, 1.5]
    assert clean_lines([], statement(), odd=0, limit_levels=low)[-1].startswith(
        "nothing visible remains at any aperture"
    )
    said = " ".join(" ".join(clean_lines([], statement(), odd=0, limit_levels=high)).split())
    assert "no grain larger than 7.0 µm on 99 % of the sensor" in said
    assert "at f/11 and wider nothing visible remains; at f/22 none of what was found shows, but" in " ".join(
        said.split()
    )
    fibre = " ".join(" ".join(clean_lines([], statement(), odd=2, limit_levels=low)).split())
    assert fibre.endswith("beside 2 places that are no grains")
    small = " ".join(clean_lines([line(8.0), line(6.0), line(5.0)], statement(), odd=0, limit_levels=low))
    assert "of the grains found 2 are smaller than that" in small  # than 7 µm
    unknown = " ".join(clean_lines([], statement(a90_95_um=math.inf, note="none found"), odd=0, limit_levels=()))
    assert "not known: none found" in unknown


def test_trials_show_a_size_whatever_their_curve(monkeypatch):
    monkeypatch.setattr(limit, "WINDOW", 46)
    size = 2 ** (np.arange(100) / 10)  # 45 of 46 pass (binomial), 44 don't: one of those missed may be in the window
    assert limit.demonstrated_um(size, np.arange(100) >= 40) == pytest.approx(2 ** ((39 + 84) / 2 / 10))
    assert limit.demonstrated_um(size, np.ones(100, dtype=bool)) == pytest.approx(2 ** (45 / 2 / 10))
    assert limit.demonstrated_um(size, np.arange(100) < 98) == math.inf
    assert limit.demonstrated_um(size[:45], np.ones(45, dtype=bool)) == 0


def test_a_file_is_recorded_again_as_it_was():
    rng = np.random.default_rng(2)
    light = np.float32(0.5) * (1 + 0.01 * rng.standard_normal((320, 320, 3)))
    data = io.BytesIO()
    Image.fromarray(encode(light, bits=8, encoding="srgb")).save(data, "JPEG", quality=95, subsampling=0)
    with Image.open(data) as image:
        tables = {key: list(values) for key, values in image.quantization.items()}
        pixels = np.asarray(image)
    again = Recipe(8, tables, 0).record(Photograph(pixels).linear())
    assert np.mean(again == pixels) > 0.9  # its coefficients are multiples of the tables already


def test_the_report_of_a_filter_that_tells_nothing(tmp_path):
    save(tmp_path / "clean.png.jpg", encode(np.full((300, 400, 3), 0.5, np.float32), bits=8, encoding="srgb"))
    done = command.look([tmp_path / "clean.png.jpg"], command.Asked())
    assert done.table == ()
    assert dust_lines(done.dust, done.table)[0].startswith("0 grains; too little to tell the filter's distance")
