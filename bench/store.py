"""The result store: one SQLite file, written by the parent process alone, a row as soon as it is known."""

from __future__ import annotations

import json
import math
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import YardError
from .kept_answer import rows_digest

FORMAT = 1
"""Version of the tables below; a store of another format is refused."""

TRUTH_TYPE = np.dtype(
    [
        (name, "<f4")
        for name in (
            "x", "y", "diameter_um", "depth", "fwhm_px", "loss_px2", "detectability", "luminance", "visibility",
        )
    ]
    + [("counted", "?")]
)  # fmt: skip
"""One true shadow; `visibility` ≥ 1 means that an observer would see it, and only those are counted."""

SPOT_TYPE = np.dtype(
    [("x", "<f4"), ("y", "<f4"), ("diameter_px", "<f4"), ("score", "<f4"), ("truth", "<i4"), ("kind", "i1")]
)
"""One candidate; `truth` is the index of the shadow it matched or −1, `kind` one of the constants below."""

FALSE_ALARM, HIT, IGNORED = 0, 1, 2

PATIENCE_S = 60.0
"""How long to wait for another process that writes to the same store."""

_TABLES = """
BEGIN IMMEDIATE;
CREATE TABLE IF NOT EXISTS note (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS frame (
    scene TEXT PRIMARY KEY, name TEXT NOT NULL, ground TEXT NOT NULL, f_number REAL NOT NULL,
    block TEXT NOT NULL, megapixels REAL NOT NULL, pixels TEXT NOT NULL, recipe TEXT NOT NULL,
    texture REAL NOT NULL, render_s REAL NOT NULL, truth BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS result (
    scene TEXT NOT NULL, detector TEXT NOT NULL, fingerprint TEXT NOT NULL,
    problem TEXT, cpu_s REAL, wall_s REAL, spots BLOB,
    PRIMARY KEY (scene, fingerprint));
CREATE TABLE IF NOT EXISTS memory (
    scene TEXT NOT NULL, fingerprint TEXT NOT NULL, peak_bytes REAL NOT NULL,
    PRIMARY KEY (scene, fingerprint));
COMMIT;
"""


@dataclass(frozen=True, slots=True)
class FrameRow:
    """One rendered frame: its cell, its digest (`pixels`), its texture and its labels (`TRUTH_TYPE`)."""

    scene: str
    name: str
    ground: str
    f_number: float
    block: str
    megapixels: float
    pixels: str
    recipe: str
    texture: float
    render_s: float
    truth: NDArray[Any]

    @property
    def counted(self) -> int:
        """How many of its shadows an observer would see."""
        return int(self.truth["counted"].sum())


@dataclass(frozen=True, slots=True)
class ResultRow:
    """One detector on one frame: its judged candidates (`SPOT_TYPE`), or the problem that stopped it.

    `memory_bytes` is what the call added to its process at its peak; nan where it was not weighed.
    """

    scene: str
    detector: str
    fingerprint: str
    problem: str | None
    cpu_s: float
    wall_s: float
    spots: NDArray[Any]
    memory_bytes: float = math.nan


_RESULT = "scene, detector, fingerprint, problem, cpu_s, wall_s"
"""Columns of a result before its spots, in the order of `ResultRow`."""


def _marks(count: int) -> str:
    return ",".join("?" * count)


_KEEP_THE_BETTER = f"""
INSERT INTO result VALUES ({_marks(7)})
ON CONFLICT (scene, fingerprint) DO UPDATE SET
    detector = excluded.detector, problem = excluded.problem,
    cpu_s = excluded.cpu_s, wall_s = excluded.wall_s, spots = excluded.spots
WHERE excluded.problem IS NULL OR result.problem IS NOT NULL
"""
"""A failure takes no answer's place: of two runs that share a folder, one may fail where the other did not."""


def _frame_values(frame: FrameRow) -> tuple[Any, ...]:
    return (
        frame.scene, frame.name, frame.ground, frame.f_number, frame.block, frame.megapixels,
        frame.pixels, frame.recipe, frame.texture, frame.render_s, frame.truth.tobytes(),
    )  # fmt: skip


class Store:
    """A result folder's database, of one recipe of one suite; a row's key is its scene and a detector's fingerprint.

    Several processes may write to it and others read meanwhile: every change is one transaction that takes the
    file for itself before it reads what it goes by.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._db = sqlite3.connect(path, timeout=PATIENCE_S, isolation_level="IMMEDIATE")
            self._keep_a_log()
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.executescript(_TABLES)
        except sqlite3.DatabaseError as error:
            raise YardError(f"{path} can't be used as a result store ({error}); choose another --out") from error
        self._check_format()

    def _keep_a_log(self) -> None:
        """Turn to write-ahead logging; while two processes do it at once, SQLite refuses one instead of waiting."""
        deadline = time.monotonic() + PATIENCE_S
        while True:
            try:
                self._db.execute("PRAGMA journal_mode=WAL")
                return
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > deadline:
                    raise
                time.sleep(0.05)

    @contextmanager
    def _change(self) -> Iterator[None]:
        """Make one whole change or none.

        Raises
        ------
        YardError
            If it can't be written, as when the disk is full.
        """
        try:
            with self._db:
                self._db.execute("BEGIN IMMEDIATE")
                yield
        except sqlite3.OperationalError as error:
            raise YardError(
                f"{self.path} can't be written ({error}); what is in it is safe: make room, "
                "then run the same command again to go on"
            ) from error

    def _check_format(self) -> None:
        found = self.note("format")
        if found is None:
            self.set_notes({"format": str(FORMAT)})
        elif found != str(FORMAT):
            raise YardError(f"{self.path} has store format {found}, this version writes {FORMAT}; choose another --out")

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def note(self, key: str) -> str | None:
        """Return a note on the run, or None."""
        row = self._db.execute("SELECT value FROM note WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def set_note(self, key: str, value: str) -> None:
        """Write a note on the run."""
        self.set_notes({key: value})

    def set_notes(self, notes: Mapping[str, str]) -> None:
        """Write notes on the run."""
        self.revise_notes(lambda _: notes)

    def revise_notes(self, revision: Callable[[Mapping[str, str]], Mapping[str, str]]) -> None:
        """Write the notes that `revision` makes of those that are there; of two processes neither undoes the other's.

        Parameters
        ----------
        revision
            What it raises leaves all as it was; it must not use the store.
        """
        with self._change():
            held = {str(key): str(value) for key, value in self._db.execute("SELECT key, value FROM note")}
            self._db.executemany("INSERT OR REPLACE INTO note VALUES (?, ?)", list(revision(held).items()))

    def answered(self, scene: str) -> set[str]:
        """Return the fingerprints that have an answer on a scene; failed ones are tried again."""
        rows = self._db.execute("SELECT fingerprint FROM result WHERE scene = ? AND problem IS NULL", (scene,))
        return {str(fingerprint) for (fingerprint,) in rows}

    def looks_of(self, fingerprint: str) -> tuple[set[str], set[str]]:
        """Return the scenes on which one detector's code has an answer, and all on which it was tried."""
        rows = self._db.execute("SELECT scene, problem IS NULL FROM result WHERE fingerprint = ?", (fingerprint,))
        tried = [(str(scene), bool(fine)) for scene, fine in rows]
        return {scene for scene, fine in tried if fine}, {scene for scene, _ in tried}

    def counts(self) -> tuple[int, int, int]:
        """Return the numbers of frames, of results and of those that failed."""
        (frames,) = self._db.execute("SELECT count(*) FROM frame").fetchone()
        results, failed = self._db.execute("SELECT count(*), count(problem) FROM result").fetchone()
        return int(frames), int(results), int(failed)

    def add(self, frame: FrameRow | None, results: Sequence[ResultRow]) -> None:
        """Write a frame and its results in one transaction.

        Parameters
        ----------
        frame
            None where no process lived to render it: its results are failures then.

        Raises
        ------
        YardError
            If the store holds the same scene with other pixels (scores of both must not be mixed), or it
            can't be written.
        """
        rows = [(r.scene, r.detector, r.fingerprint, r.problem, r.cpu_s, r.wall_s, r.spots.tobytes()) for r in results]
        memory = [(r.scene, r.fingerprint, r.memory_bytes) for r in results if math.isfinite(r.memory_bytes)]
        with self._change():
            if frame is not None:
                self._check_pixels(frame)
                self._db.execute(f"INSERT OR IGNORE INTO frame VALUES ({_marks(11)})", _frame_values(frame))
            self._db.executemany(_KEEP_THE_BETTER, rows)
            self._db.executemany("INSERT OR REPLACE INTO memory VALUES (?, ?, ?)", memory)

    def _check_pixels(self, frame: FrameRow) -> None:
        known = self._db.execute("SELECT pixels FROM frame WHERE scene = ?", (frame.scene,)).fetchone()
        if known is not None and known[0] != frame.pixels:
            raise YardError(
                f"{self.path} holds frame {frame.name} with other pixels than this version renders; "
                "choose another --out so that scores are not mixed"
            )

    def frames(self) -> Iterator[FrameRow]:
        """Yield every frame, by name."""
        for row in self._db.execute("SELECT * FROM frame ORDER BY name"):
            yield FrameRow(*(*row[:-1], np.frombuffer(row[-1], dtype=TRUTH_TYPE)))

    def results(self) -> Iterator[ResultRow]:
        """Yield every result, by detector and frame."""
        query = f"""
            SELECT {_RESULT}, spots, peak_bytes FROM result LEFT JOIN memory USING (scene, fingerprint)
            ORDER BY detector, scene"""
        for *values, spots, peak in self._db.execute(query):
            memory = math.nan if peak is None else float(peak)
            yield ResultRow(*(*values, np.frombuffer(spots, dtype=SPOT_TYPE), memory))

    def specs(self) -> dict[str, str]:
        """Return method name to what makes it, of all that stand on the board."""
        return dict(json.loads(self.note("specs") or "{}"))

    def digest(self) -> str:
        """Return a digest of all that it holds, see `kept_answer.rows_digest`."""
        return rows_digest(self._db)

    def card(self) -> dict[str, Any]:
        """Return the run's notes, those that hold JSON decoded."""
        notes = {}
        for key, value in self._db.execute("SELECT key, value FROM note ORDER BY key"):
            try:
                notes[str(key)] = json.loads(value)
            except json.JSONDecodeError:
                notes[str(key)] = value
        return notes


def added(notes: Mapping[str, str], key: str, items: Mapping[str, str]) -> str:
    """Return a note that is a mapping in JSON with items added."""
    return json.dumps(json.loads(notes.get(key, "{}")) | dict(items))


def open_store(folder: str | Path) -> Store:
    """Open the store in a result folder that `rank` wrote.

    Raises
    ------
    YardError
        If the folder holds none.
    """
    path = Path(folder) / "run.sqlite"
    if not path.is_file():
        raise YardError(f"{folder} holds no results (no run.sqlite in it); make some with: moteyard rank quick")
    return Store(path)
