"""The yard end to end on small frames, through the command line as a user has it."""

import csv
import json
import shutil
import sqlite3
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from moteyard.bench import run
from moteyard.bench.boards import boards
from moteyard.bench.choice import read_choice
from moteyard.bench.cli import main
from moteyard.bench.coco import coco
from moteyard.bench.errors import YardError
from moteyard.bench.rank_command import _text
from moteyard.bench.run import Means, check_marks, fill
from moteyard.bench.store import SPOT_TYPE, ResultRow, Store, open_store
from moteyard.bench.suite_file import load_suite
from moteyard.generators.camera import Camera
from moteyard.generators.contamination import read_state
from moteyard.generators.optics import Optics
from moteyard.generators.scene import Scene, render

HERE = Path(__file__).parent
TINY = str(HERE / "tiny.toml")
HOSTILE = HERE / "hostile.py"
PHOTOS = HERE.parent / "photos"


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """A finished run of the tiny suite by two controls and two methods."""
    folder = tmp_path_factory.mktemp("run") / "tiny"
    words = ["rank", TINY, "--out", str(folder), "--workers", "2"]
    assert main([*words, *_detectors("nothing", "guess", "matched", "dog")]) == 0
    return folder


def _detectors(*names):
    return [word for name in names for word in ("--detector", name)]


def _ranking(folder):
    with (folder / "ranking.csv").open(encoding="utf-8") as file:
        return {(row["ground"], row["method"]): row for row in csv.DictReader(file)}


def test_a_real_method_beats_the_controls_on_sky(result):
    rows = _ranking(result)
    sky = {method: float(row["average_precision"]) for (ground, method), row in rows.items() if ground == "sky"}
    assert sky["nothing"] == 0
    assert sky["matched"] > 0.5 > sky["guess"]
    assert int(rows["sky", "matched"]["rank"]) == 1


def test_scrub_is_harder_than_sky(result):
    rows = _ranking(result)
    assert float(rows["scrub", "matched"]["average_precision"]) < float(rows["sky", "matched"]["average_precision"])


@pytest.mark.parametrize("name", ["quick", "standard", "hills", "debris"])
def test_what_a_suite_is_for_fits_a_narrow_terminal(name):
    suite = load_suite(name)
    said = _text(suite, Path("out"), []).splitlines()
    assert max(map(len, said)) <= 80
    assert " ".join(" ".join(said).split()).endswith(suite.summary)


def test_everything_is_written(result):
    tables = (
        "ranking.csv",
        "cases.csv",
        "sweep.csv",
        "cost.csv",
        "threshold.json",
        "explore.json",
        "crops.json",
        "run.sqlite",
    )
    plots = [f"{name}.{kind}" for name in ("curves", "froc", "cost", "limit") for kind in ("png", "svg")]
    for name in ("report.html", "frames.jpg", *tables, *plots):
        assert (result / name).stat().st_size > 0
    assert not list(result.glob("*.part"))


def test_the_rerun_does_only_what_is_missing(result, capsys):
    before = (result / "ranking.csv").read_bytes()
    assert main(["rank", TINY, "--out", str(result), *_detectors("dog")]) == 0
    assert (result / "ranking.csv").read_bytes() == before
    progress = capsys.readouterr().err
    assert "look/s" not in progress
    assert "crops" not in progress


def test_the_answer_fits_a_terminal_and_comes_without_colour(result, capsys):
    assert main(["rank", TINY, "--out", str(result), *_detectors("dog")]) == 0
    printed = capsys.readouterr().out
    assert "ANSWER" in printed
    assert max(map(len, printed.replace(str(result), "FOLDER").splitlines())) <= 80
    assert "\x1b" not in printed


def test_machines_get_the_same_answer(result, capsys):
    assert main(["rank", TINY, "--out", str(result), "--json", *_detectors("dog")]) == 0
    told = json.loads(capsys.readouterr().out)
    rows = _ranking(result)
    for ground in told["grounds"]:
        for method in ground["methods"]:
            row = rows[ground["ground"], method["method"]]
            assert method["rank"] == int(row["rank"])
            assert method["average_precision"]["low"] == pytest.approx(float(row["low"]), abs=1e-6)
    assert [cell["threshold"] for cell in told["thresholds"]] == pytest.approx(
        [cell.threshold for cell in read_choice(result).cells], abs=1e-6
    )
    assert len(told["answer"]) == 2


def test_a_copy_compares_as_the_same(result, tmp_path, capsys):
    copy = tmp_path / "a copy"
    shutil.copytree(result, copy)
    assert main(["compare", str(result), str(copy)]) == 0
    assert "the same answers on every frame: nothing, guess, matched, dog" in capsys.readouterr().out
    assert (copy / "compared-with-tiny.html").is_file()
    assert main(["compare", str(result), str(copy), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["frames"] == 16


def test_compare_needs_results(result, tmp_path, capsys):
    assert main(["compare", str(result), str(tmp_path)]) == 2
    assert "holds no results" in capsys.readouterr().err


def test_a_rerun_shows_the_answer_it_has_and_makes_it_anew_where_anything_changed(result, capsys, monkeypatch):
    words = ["rank", TINY, "--out", str(result)]
    assert main([*words, *_detectors("dog", "matched")]) == 0
    first = capsys.readouterr().out
    made = []
    monkeypatch.setattr("moteyard.bench.rank_command.boards", lambda table: made.append(1) or boards(table))
    assert main([*words, *_detectors("dog")]) == 0
    assert (capsys.readouterr().out, made) == (first, [])
    (result / "threshold.json").write_text("{}", encoding="utf-8")
    assert main([*words, *_detectors("dog")]) == 0
    assert (capsys.readouterr().out, made) == (first, [1])
    assert read_choice(result).method == "matched"


def test_workers_and_a_scheduler_exclude_each_other(capsys):
    assert main(["rank", TINY, "--workers", "2", "--scheduler", "tcp://127.0.0.1:9"]) == 2
    assert "give one of the two" in capsys.readouterr().err


def test_code_that_changes_under_the_run_is_refused():
    row = ResultRow("s", "dog", "dog-1-new", None, 0.1, 0.1, np.zeros(0, SPOT_TYPE))
    with pytest.raises(
        YardError, match="dog answered as dog-1-new and not as dog-1-old: its code changed under the run"
    ):
        check_marks([row], {"dog": "dog-1-old"})


def test_results_are_the_same_in_any_number_of_processes(result, tmp_path):
    assert main(["rank", TINY, "--out", str(tmp_path / "one"), "--workers", "1", *_detectors("dog")]) == 0
    stores = [open_store(folder) for folder in (result, tmp_path / "one")]
    answers = [{row.scene: row.spots.tobytes() for row in store.results() if row.detector == "dog"} for store in stores]
    assert answers[0] == answers[1]
    for store in stores:
        store.close()


def test_interrupted_work_goes_on(result, tmp_path):
    """Half of the rows taken away stand for a run that was stopped; the rerun restores the same answer."""
    folder = tmp_path / "half"
    copy = _copy(result, folder)
    with copy:
        copy.execute("DELETE FROM result WHERE rowid % 2 = 0 AND detector = 'dog'")
    copy.close()
    assert main(["rank", TINY, "--out", str(folder), *_detectors("nothing", "guess", "matched", "dog")]) == 0
    ours, theirs = _ranking(folder), _ranking(result)
    for key, row in ours.items():
        assert row["average_precision"] == theirs[key]["average_precision"]


def test_another_recipe_in_the_same_folder_is_refused(result, capsys):
    assert main(["rank", "quick", "--out", str(result)]) == 2
    assert "holds results of another recipe of suite 'tiny'" in capsys.readouterr().err


def test_of_two_recipes_that_start_together_the_later_is_refused(tmp_path, monkeypatch):
    """The other run writes its notes as soon as this one has begun."""
    other = Store(tmp_path / "run.sqlite")
    first = {"suite": "first", "suite_digest": "x"}
    monkeypatch.setattr(run, "library_versions", lambda: other.set_notes(first) or "none")
    with pytest.raises(YardError, match="holds results of another recipe of suite 'first'"):
        fill(tmp_path, load_suite(TINY), ["dog"], means=Means(workers=1))
    assert other.note("suite_digest") == "x"
    assert other.note("fingerprints") is None
    other.close()


def test_a_run_without_a_crew_lets_go_of_its_store(tmp_path, monkeypatch):
    """SQLite takes its log away when the last connection closes."""
    monkeypatch.setattr(Means, "crew", lambda self: (_ for _ in ()).throw(YardError("nobody is there")))
    with pytest.raises(YardError, match="nobody is there") as held:
        fill(tmp_path, load_suite(TINY), ["dog"], means=Means(workers=1))
    assert [file.name for file in tmp_path.iterdir()] == ["run.sqlite"]
    assert held.tb is not None


def _copy(result, folder):
    folder.mkdir()
    source, copy = sqlite3.connect(result / "run.sqlite"), sqlite3.connect(folder / "run.sqlite")
    source.backup(copy)
    source.close()
    return copy


def test_missing_cells_are_shown_and_make_the_status_1(result, tmp_path, capsys):
    copy = _copy(result, tmp_path / "holes")
    with copy:
        copy.execute(
            "DELETE FROM result WHERE detector = 'dog' AND scene IN "
            "(SELECT scene FROM frame WHERE ground = 'scrub' AND f_number = 22 ORDER BY name LIMIT 3)"
        )
    copy.close()
    words = ["rank", TINY, "--out", str(tmp_path / "holes")]
    assert main([*words, *_detectors("nothing")]) == 1
    printed = " ".join(capsys.readouterr().err.split())
    assert "MISSING dog on 3 of 16 frames, so it is not ranked: scrub f/22 3 of 4; 3 frames not tried yet" in printed
    assert "run with --detector dog to go on" in printed
    assert main([*words, *_detectors("dog")]) == 0
    assert "MISSING" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        ("Raises", "RuntimeError: the lamp is broken"),
        ("Nan", "score[0] is nan, not a finite number"),
        ("Outside", "x[0] = -50.0 lies outside the frame"),
    ],
)
def test_a_broken_detector_is_a_failed_row(kind, reason, tmp_path, capsys):
    status = main(["rank", TINY, "--out", str(tmp_path), *_detectors("dog", f"{HOSTILE}:{kind}")])
    printed = capsys.readouterr()
    assert status == 1
    assert f"FAILED  {kind.lower()} on 16 frames: " in printed.err
    assert reason in printed.err
    assert "Traceback" not in printed.err
    assert "dog" in printed.out


@pytest.mark.parametrize(("kind", "reason"), [("Dies", "signal SIGSEGV"), ("Leaves", "left through sys.exit")])
def test_a_detector_that_takes_its_process_down_takes_nothing_else(kind, reason, tmp_path, capsys):
    suite = tmp_path / "tinier.toml"
    text = Path(TINY).read_text(encoding="utf-8")
    suite.write_text(text.replace("frames = 4", "frames = 1").replace("[11, 22]", "[22]"), encoding="utf-8")
    status = main(["rank", str(suite), "--out", str(tmp_path), *_detectors("dog", f"{HOSTILE}:{kind}")])
    printed = capsys.readouterr()
    assert status == 1
    assert reason in printed.err
    assert f"MISSING {kind.lower()} on 2 of 2 frames, so it is not ranked: sky f/22 1 of 1" in " ".join(
        printed.err.split()
    )
    assert len(_ranking(tmp_path)) == 2


def test_photographs_are_a_ground_and_pictures_are_blocks(tmp_path, capsys):
    assert main(["rank", TINY, "--out", str(tmp_path), "--photos", str(PHOTOS), *_detectors("dog")]) == 0
    assert "PHOTOGRAPHS" in capsys.readouterr().out
    with (tmp_path / "cases.csv").open(encoding="utf-8") as file:
        blocks = {row["block"] for row in csv.DictReader(file) if row["ground"] == "photographs"}
    assert blocks == {f"photographs/{path.name}" for path in PHOTOS.glob("*.jpg")}


def test_threshold_says_when_frames_are_too_few(result, capsys, tmp_path):
    out = tmp_path / "t.json"
    assert main(["threshold", str(result), "--detector", "dog", "--out", str(out)]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "no guarantee: it needs 29 independent frames to choose on, there are 2" in printed
    assert read_choice(out).detector == "dog"
    assert not any(ground.guaranteed for ground in read_choice(out).cells)


def test_threshold_of_a_method_that_was_not_run(result, capsys):
    assert main(["threshold", str(result), "--detector", "log"]) == 2
    assert "no complete results of 'log'; it has nothing, guess, matched, dog" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words", [["--recall", ".5"], ["--precision", ".7"], ["--cost-miss", "1", "--cost-false", "2"]], ids=lambda w: w[0]
)
def test_every_wish_goes_through_its_file(words, result, capsys, tmp_path):
    out = tmp_path / "t.json"
    assert main(["threshold", str(result), *words, "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    assert max(len(line) for line in printed.splitlines() if str(tmp_path) not in line) <= 80
    assert "not in: " in printed
    assert not any(cell.trusted for cell in read_choice(out).cells)  # two frames a half vouch for nothing
    for command in ("limit", "errors"):
        assert main([command, str(result), "--threshold-file", str(out)]) == 0
    photo = str(PHOTOS / "pasture.jpg")
    assert main(["find", photo, "--from", str(out), "--f-number", "22", "--out", str(tmp_path / "found")]) == 0
    assert "trust neither finds nor their absence" in capsys.readouterr().out


def test_the_ranking_has_the_free_response_score(result):
    with (result / "ranking.csv").open(encoding="utf-8") as file:
        rows = {(row["ground"], row["method"]): row for row in csv.DictReader(file)}
    sky = rows["sky", "dog"]
    # A mean over ⅛ to 8 false alarms a frame lies about the recall at one of them, and guessing finds nothing.
    assert abs(float(sky["froc"]) - float(sky["found_at_1_false_alarm_a_frame"])) < 0.3
    assert float(rows["sky", "nothing"]["froc"]) == 0


def test_limit_answers_in_micrometres(result, capsys):
    assert main(["limit", str(result)]) == 0
    printed = capsys.readouterr().out
    assert max(map(len, printed.splitlines()[:-1])) <= 80
    with (result / "limit.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {(row["ground"], row["f_number"]) for row in rows} == {
        (g, f) for g in ("sky", "scrub") for f in ("11", "22")
    }
    with Image.open(result / "limit.png") as plot:
        assert plot.width > plot.height / 2
    assert ElementTree.parse(result / "limit.svg").getroot().tag.endswith("svg")
    assert f"sky f/{float(rows[0]['f_number']):g}: " in printed


def test_limit_of_another_method_chooses_its_thresholds(result, capsys, tmp_path):
    assert main(["limit", str(result), "--detector", "dog"]) == 0
    assert "DETECTION LIMIT   dog" in capsys.readouterr().out
    assert main(["limit", str(result), "--detector", "log"]) == 2
    assert "no complete results of 'log'" in capsys.readouterr().err
    text = (result / "threshold.json").read_text(encoding="utf-8").replace('"matched-', '"matched-0')
    (tmp_path / "old.json").write_text(text, encoding="utf-8")
    assert main(["limit", str(result), "--threshold-file", str(tmp_path / "old.json")]) == 2
    assert "choose again with: moteyard threshold" in capsys.readouterr().err


def test_errors_part_the_counts_of_the_threshold(result, capsys):
    assert main(["errors", str(result)]) == 0
    printed = capsys.readouterr().out
    assert "ERRORS   matched" in printed
    assert "FOUND BY VISIBILITY" in printed
    with Image.open(result / "visibility.png") as plot:
        assert plot.width > 300
    with (result / "visibility.csv").open(encoding="utf-8") as file:
        levels = list(csv.DictReader(file))
    assert all(float(r["recall_low"] or 0) <= int(r["found"]) / max(1, int(r["shadows"])) for r in levels)
    with (result / "errors.csv").open(encoding="utf-8") as file:
        rows = {(row["ground"], row["f_number"]): row for row in csv.DictReader(file)}
    assert len(rows) == 6
    with (result / "cases.csv").open(encoding="utf-8") as file:
        shadows = sum(int(row["counted"]) for row in csv.DictReader(file) if row["method"] == "dog")
    assert int(rows["sky", "all"]["shadows"]) + int(rows["scrub", "all"]["shadows"]) == shadows


def test_find_on_a_rendered_photograph(result, tmp_path, capsys):
    """What the yard knows, `find` finds: a rendered sky goes through a file and back."""
    frames = tmp_path / "frames"
    assert main(["render", TINY, "--limit", "1", "--out", str(frames)]) == 0
    truth = json.loads((frames / "truth.json").read_text(encoding="utf-8"))
    image = next(item for item in truth["images"] if item["file_name"] == "sky-f22-000.png")
    boxes = [item["bbox"] for item in truth["annotations"] if item["image_id"] == image["id"]]
    out = tmp_path / "found"
    words = [str(frames / "sky-f22-000.png"), "--from", str(result), "--f-number", "22", "--out", str(out)]
    assert main(["find", *words]) == 0
    with (out / "sky-f22-000.png.spots.csv").open(encoding="utf-8") as file:
        spots = [(float(row["x"]), float(row["y"])) for row in csv.DictReader(file)]
    centres = np.array([[x + w / 2 - 0.5, y + h / 2 - 0.5] for x, y, w, h in boxes])
    near = [np.hypot(*(centres - spot).T).min() < 4 for spot in spots]
    assert len(spots) > 0
    assert np.mean(near) > 0.7
    with Image.open(out / "sky-f22-000.png.mask.png") as mask:
        assert mask.size == (320, 256)
        assert set(np.unique(np.asarray(mask))) <= {0, 255}
    assert "sky-f22-000.png: 320×256, f/22" in capsys.readouterr().out


def test_render_writes_coco_that_its_reader_accepts(tmp_path):
    from pycocotools.coco import COCO

    assert main(["render", TINY, "--limit", "1", "--out", str(tmp_path)]) == 0
    coco = COCO(str(tmp_path / "truth.json"))
    assert len(coco.getImgIds()) == 4
    for note in coco.loadAnns(coco.getAnnIds()):
        assert note["bbox"][2] == pytest.approx(note["area"] ** 0.5, rel=1e-3)
    assert main(["render", TINY, "--limit", "1", "--out", str(tmp_path)]) == 2


def test_coco_tells_kinds_and_boxes_that_hold_them():
    state = read_state("field-day", {"fibre": {"mean_count": 6}})
    frame = render(Scene("m", "screen", Optics(22), Camera(width_px=640, height_px=480), state, seed=(1, 8)))
    layout = coco([("mixed.png", frame)])
    names = {category["id"]: category["name"] for category in layout["categories"]}
    assert list(names.values()) == ["grain", "fibre", "flake", "ring", "droplet", "scratch"]
    assert [names[note["category_id"]] for note in layout["annotations"]] == frame.truth.kind.tolist()
    fibre = frame.truth.kind.tolist().index("fibre")
    x, y, width, height = layout["annotations"][fibre]["bbox"]
    assert np.hypot(width, height) >= frame.truth.extent_px[fibre] > 20
    assert x + width / 2 - 0.5 == pytest.approx(frame.truth.x[fibre], abs=1e-3)
    assert y + height / 2 - 0.5 == pytest.approx(frame.truth.y[fibre], abs=1e-3)


def _tiny(tmp_path, *changes):
    text = Path(TINY).read_text(encoding="utf-8")
    for old, new in (("frames = 4", "frames = 1"), ("[11, 22]", "[22]"), *changes):
        assert old in text
        text = text.replace(old, new)
    suite = tmp_path / "tinier.toml"
    suite.write_text(text, encoding="utf-8")
    return str(suite)


def test_any_plain_name_will_do(tmp_path):
    assert main(["rank", _tiny(tmp_path), "--out", str(tmp_path / "o"), *_detectors(f"{HOSTILE}:Hyphened")]) == 0
    assert read_choice(tmp_path / "o").method == "my-own"


@pytest.mark.parametrize("kind", ["Ideal", "TwoLines"])
def test_names_that_would_deceive_are_refused(kind, tmp_path, capsys):
    assert main(["rank", _tiny(tmp_path), "--out", str(tmp_path / "o"), *_detectors(f"{HOSTILE}:{kind}")]) == 2
    assert "a detector's name must be 1 to 24 letters" in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


def test_a_method_that_dies_somewhere_is_not_ranked_on_what_it_survived(tmp_path, capsys):
    assert main(["rank", _tiny(tmp_path), "--out", str(tmp_path / "o"), *_detectors(f"{HOSTILE}:Dies")]) == 1
    assert not (tmp_path / "o" / "ranking.csv").exists()


def test_a_suite_without_dust_says_so(tmp_path, capsys):
    suite = _tiny(tmp_path, ("mean_count = 6", "mean_count = 0"))
    assert main(["rank", suite, "--out", str(tmp_path / "o"), *_detectors("dog")]) == 2
    assert "nothing can be judged; add dust to the suite" in capsys.readouterr().err


def test_a_threshold_never_replaces_another_file(result, tmp_path, capsys):
    precious = tmp_path / "precious.txt"
    precious.write_text("mine", encoding="utf-8")
    assert main(["threshold", str(result), "--out", str(precious)]) == 2
    assert "is not a chosen threshold" in capsys.readouterr().err
    assert precious.read_text(encoding="utf-8") == "mine"


def test_a_choice_that_was_there_is_kept(result, tmp_path, capsys):
    folder = tmp_path / "copy"
    shutil.copytree(result, folder, ignore=shutil.ignore_patterns("threshold-*"))
    ranked = (folder / "threshold.json").read_bytes()
    words = ["threshold", str(folder), "--detector", "dog"]
    assert main([*words, "--recall", ".5"]) == 0
    assert f"the choice that was there is kept as {folder / 'threshold-1.json'}" in capsys.readouterr().out
    assert (folder / "threshold-1.json").read_bytes() == ranked
    mine = (folder / "threshold.json").read_bytes()
    assert main([*words, "--recall", ".5"]) == 0
    assert "is kept as" not in capsys.readouterr().out
    assert main(["threshold", str(folder), "--at-most", "3"]) == 0
    assert (folder / "threshold-2.json").read_bytes() == mine
    threes = (folder / "threshold.json").read_bytes()
    capsys.readouterr()
    assert main(["rank", TINY, "--out", str(folder), *_detectors("dog")]) == 0
    assert (
        f"held another choice of thresholds, which is kept as {folder / 'threshold-3.json'}" in capsys.readouterr().err
    )
    assert (folder / "threshold.json").read_bytes() == ranked
    assert (folder / "threshold-3.json").read_bytes() == threes
    assert len(list(folder.glob("threshold*.json"))) == 4


def test_a_detector_that_raises_in_find_is_one_sentence(tmp_path, capsys):
    words = ["find", str(PHOTOS / "pasture.jpg"), "--threshold", "1", "--detector", f"{HOSTILE}:Raises"]
    assert main([*words, "--out", str(tmp_path)]) == 2
    printed = capsys.readouterr().err
    assert "moteyard: raises failed on" in printed
    assert "the lamp is broken" in printed
    assert "Traceback" not in printed
