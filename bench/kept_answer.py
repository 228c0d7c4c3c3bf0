"""The finished answer of a run, kept in its store and shown again as long as it would come out the same.

An answer follows from the store's rows, the suite, the detectors asked for, the code, its libraries and the files
left beside the store. A digest of all these stands beside the answer: where it is still the same, nothing is missing
and nothing to compute, and where it is not, all is looked up anew. This module imports no library, since importing
them takes longer than reading everything an answer depends on.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import sys
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

from .provenance import library_versions
from .told import OUTPUTS, Told

NOTE = "answer"
"""Note of the store that holds the last complete answer and what it stands on."""

PLUGINS = "moteyard.detectors"
"""The registry's group, whose module is slow to import."""

_HERE = Path(__file__).parent

_CODE = (_HERE, _HERE.with_name("detectors"), _HERE.with_name("generators"))
"""The three packages lie side by side, installed or not."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of `rank`.

    Attributes
    ----------
    suite
        Its name or path.
    photos, out
        Folders of pictures and of results, or None.
    detectors
        As given; none stands for all that the suite judges.
    """

    suite: str
    photos: Path | None = None
    detectors: tuple[str, ...] = ()
    out: Path | None = None

    def folder(self, suite_name: str) -> Path:
        """Return where the results go."""
        name = suite_name if self.photos is None else f"{suite_name}-with-{self.photos.resolve().name}"
        return self.out or Path("results") / name


@dataclass(frozen=True, slots=True)
class Ground:
    """What an answer stands on beside the store, this program and its libraries.

    Attributes
    ----------
    specs
        Detectors that have the whole suite, as they were asked for.
    default
        Those that the suite judges when none is asked for.
    files
        Source of detectors from outside this program.
    folders
        Pictures that frames are cut from.
    """

    specs: tuple[str, ...]
    default: tuple[str, ...]
    files: tuple[str, ...]
    folders: tuple[str, ...]


def kept(question: Question) -> Told | None:
    """Return the answer that a finished run would give again, or None where that has to be found out."""
    try:
        table = tomllib.loads(_suite_file(question).read_text(encoding="utf-8"))
        folder = question.folder(str(table["name"]))
        store = folder.resolve() / "run.sqlite"
        with closing(sqlite3.connect(f"{store.as_uri()}?mode=ro", uri=True)) as db:
            (text,) = db.execute("SELECT value FROM note WHERE key = ?", (NOTE,)).fetchone()
            held = json.loads(text)
            ground = Ground(**{key: tuple(value) for key, value in held["ground"].items()})
            asked = question.detectors or ground.default
            if set(asked) <= set(ground.specs) and held["state"] == state(question, folder, ground, rows_digest(db)):
                return Told(held["text"], held["object"], "", tuple(held["notes"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, sqlite3.Error):
        pass  # no answer that can be read: it is made anew, and what is wrong with the folder is told then
    return None


def as_note(told: Told, question: Question, folder: Path, *, ground: Ground, rows: str) -> str:
    """Return the note that `kept` reads, of a store whose `rows_digest` is `rows`."""
    parts = {name: getattr(ground, name) for name in Ground.__slots__}
    held = {"state": state(question, folder, ground, rows), "ground": parts}
    return json.dumps(held | {"text": told.text, "object": told.object, "notes": told.notes})


def rows_digest(db: sqlite3.Connection) -> str:
    """Return a digest of all that a store holds, but for the kept answer."""
    notes = db.execute("SELECT * FROM note WHERE key != ? ORDER BY key", (NOTE,)).fetchall()
    digest = hashlib.sha256(repr(notes).encode())
    for row in db.execute("SELECT * FROM memory ORDER BY rowid"):
        _add(digest, repr(row))
    for table in ("frame", "result"):
        for *fields, array in db.execute(f"SELECT * FROM {table} ORDER BY rowid"):
            _add(digest, repr(fields), array or b"")
    return digest.hexdigest()


def state(question: Question, folder: Path, ground: Ground, rows: str) -> str:
    """Return a digest of everything that an answer depends on."""
    digest = hashlib.sha256(rows.encode())
    plugins = sorted(repr((point.name, point.value)) for point in entry_points(group=PLUGINS))
    place = (str(Path.cwd()), str(folder), str(question.photos), question.suite)
    _add(digest, repr((place, plugins, library_versions(), sys.version, [str(path) for path in _CODE])))
    for path in [_suite_file(question), *(folder / name for name in OUTPUTS), *map(Path, ground.files)]:
        _add(digest, str(path), path.read_bytes() if path.is_file() else b"absent")
    for path in _inside([*_CODE, *map(Path, ground.folders)]):
        _add(digest, str(path), path.read_bytes())
    return digest.hexdigest()


def _suite_file(question: Question) -> Path:
    shipped = _HERE / "suites" / f"{question.suite}.toml"
    return Path(question.suite) if question.suite.endswith(".toml") else shipped


def _inside(folders: Iterable[Path]) -> Iterator[Path]:
    for folder in folders:
        yield from sorted(path for path in folder.rglob("*") if path.suffix != ".pyc" and path.is_file())


def _add(digest: Any, label: str, content: bytes = b"") -> None:
    digest.update(f"{label} {len(content)} ".encode())
    digest.update(content)


def foreign(files: Iterable[Path]) -> list[str]:
    """Return those of some files that don't belong to this program."""
    return sorted(str(path) for path in files if not any(path.is_relative_to(folder) for folder in _CODE))


def spelled(specs: Sequence[str]) -> list[str]:
    """Return the files that detectors' names spell: a file of Python or a calibration."""
    paths = [spec.rpartition(":")[0] or spec for spec in specs]
    return [path for path in paths if path.endswith((".py", ".json"))]
