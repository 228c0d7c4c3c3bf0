"""A finished answer is shown again only while everything that it depends on is as it was."""

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from moteyard.bench import kept_answer
from moteyard.bench.cli import main
from moteyard.bench.kept_answer import Question, kept
from moteyard.detectors import registry

HERE = Path(__file__).parent
DETECTOR = (HERE.parent / "examples" / "darkest.py").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A folder with a suite of two frames, a detector of the user's, and their finished run."""
    folder = tmp_path_factory.mktemp("kept")
    text = (HERE / "tiny.toml").read_text(encoding="utf-8")
    text = text.replace("frames = 4", "frames = 1").replace("[11, 22]", "[22]")
    (folder / "two.toml").write_text(text, encoding="utf-8")
    (folder / "mine.py").write_text(DETECTOR, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        assert main([*WORDS, "--detector", "nothing"]) == 0
    return folder


WORDS = ["rank", "two.toml", "--out", "run", "--workers", "1", "--detector", "mine.py:Darkest"]
QUESTION = Question("two.toml", detectors=("mine.py:Darkest",), out=Path("run"))


@pytest.fixture
def place(finished, tmp_path, monkeypatch):
    """The finished folder, to change: it is put back afterwards."""
    shutil.copytree(finished, tmp_path / "backup")
    monkeypatch.chdir(finished)
    assert kept(QUESTION) is not None
    yield finished
    shutil.rmtree(finished / "run")
    shutil.copytree(tmp_path / "backup", finished, dirs_exist_ok=True)


def _write(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def _change_row(folder, change, *values):
    with closing(sqlite3.connect(folder / "run" / "run.sqlite")) as store, store:
        assert store.execute(change, values).rowcount == 1


def _change_array(folder, table, column):
    """Turn one bit of the longest array of a column."""
    with closing(sqlite3.connect(folder / "run" / "run.sqlite")) as store:
        query = f"SELECT rowid, {column} FROM {table} ORDER BY length({column}) DESC"
        row, array = store.execute(query).fetchone()
    changed = array[:-1] + bytes([array[-1] ^ 1])
    _change_row(folder, f"UPDATE {table} SET {column} = ? WHERE rowid = ?", changed, row)


ANYTHING = {
    "a candidate": lambda folder: _change_array(folder, "result", "spots"),
    "a true shadow": lambda folder: _change_array(folder, "frame", "truth"),
    "a row less": lambda folder: _change_row(folder, "DELETE FROM result WHERE rowid = 1"),
    "the detector": lambda folder: _write(folder / "mine.py", "0.005", "0.05"),
    "the suite": lambda folder: _write(folder / "two.toml", "mean_count = 6", "mean_count = 7"),
    "the suite's words": lambda folder: _write(folder / "two.toml", 'summary = "', 'summary = "not '),
    "an output": lambda folder: _write(folder / "run" / "ranking.csv", "ground", "Ground"),
    "an output less": lambda folder: (folder / "run" / "froc.svg").unlink(),
}


@pytest.mark.parametrize("change", ANYTHING.values(), ids=ANYTHING.keys())
def test_whatever_changes_the_old_answer_is_not_shown(place, change):
    change(place)
    assert kept(QUESTION) is None


def test_libraries_count(place, monkeypatch):
    monkeypatch.setattr(kept_answer, "library_versions", lambda: "numpy 99")
    assert kept(QUESTION) is None


def test_all_code_counts(place, tmp_path, monkeypatch):
    assert {path.name for path in kept_answer._CODE} == {"bench", "detectors", "generators"}
    assert all((path / "__init__.py").is_file() for path in kept_answer._CODE)
    (tmp_path / "report").mkdir()
    code = tmp_path / "report" / "page.html"
    code.write_text("one", encoding="utf-8")
    monkeypatch.setattr(kept_answer, "_CODE", (tmp_path / "report",))
    ground = kept_answer.Ground((), (), (), ())
    before = kept_answer.state(QUESTION, Path("run"), ground, "rows")
    assert before == kept_answer.state(QUESTION, Path("run"), ground, "rows")
    code.write_text("two", encoding="utf-8")
    assert before != kept_answer.state(QUESTION, Path("run"), ground, "rows")


@pytest.mark.parametrize(
    "question",
    [
        Question("two.toml", detectors=("mine.py:Darkest", "dog"), out=Path("run")),
        Question("two.toml", out=Path("run")),
        Question("two.toml", photos=Path(), detectors=("mine.py:Darkest",), out=Path("run")),
        Question("two.toml", detectors=("mine.py:Darkest",)),
        Question("quick", detectors=("mine.py:Darkest",), out=Path("run")),
        Question("no such suite", out=Path("run")),
    ],
    ids=["a detector more", "all detectors", "photographs", "another folder", "another suite", "no suite"],
)
def test_another_question_has_no_answer_yet(place, question):
    assert kept(question) is None


def test_part_of_the_question_has(place):
    """What is asked of a whole board is the same whichever of its methods are named."""
    assert kept(Question("two.toml", detectors=("nothing",), out=Path("run"))) == kept(QUESTION)


def test_the_changed_detector_is_judged_anew(place, capsys):
    before = kept(QUESTION)
    _write(place / "mine.py", "0.005", "9.0")  # above all that it could say
    assert main(WORDS) == 0
    printed = capsys.readouterr().out
    assert printed.strip() != before.text.strip()
    assert kept(QUESTION).text.strip() == printed.strip()


def test_a_run_that_lacks_anything_keeps_no_answer(place, capsys):
    _change_row(place, "UPDATE note SET value = json_insert(value, '$.lost', 'lost-1') WHERE key = 'fingerprints'")
    assert main(WORDS) == 1
    assert "MISSING  lost on 2 of 2 frames" in capsys.readouterr().err
    assert kept(QUESTION) is None


def test_a_file_that_is_no_store_is_none_either(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "run").mkdir()
    assert kept(Question("quick", out=Path("run"))) is None
    (tmp_path / "run" / "run.sqlite").write_bytes(b"no database" * 999)
    assert kept(Question("quick", out=Path("run"))) is None


def test_plug_ins_are_the_registrys():
    assert kept_answer.PLUGINS == registry.GROUP


def test_the_kept_answer_needs_no_library(place):
    """Their imports alone would take longer than all else; and the words come out in another process too."""
    code = (
        "import sys; from moteyard.bench.cli import main; status = main(sys.argv[1:]); "
        "assert not {'numpy', 'scipy', 'cv2', 'pandas', 'matplotlib'} & set(sys.modules); sys.exit(status)"
    )
    done = subprocess.run([sys.executable, "-c", code, *WORDS], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.strip() == kept(QUESTION).text.strip()
