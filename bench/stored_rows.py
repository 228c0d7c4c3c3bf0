"""Rows of a store whose candidates stay on disk until they are asked for: a ranking of any size fits into memory."""

from __future__ import annotations

import sqlite3
import weakref
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import YardError
from .store import PATIENCE_S, SPOT_TYPE, ResultRow

ROOM = 64_000_000
"""Bytes of candidates held at a time: a ground of `standard` with ten methods takes 15 MB, and statistics go
through a ground again and again before they turn to the next."""


class Candidates:
    """The candidates of a store's results, the latest of them in memory; it has a connection of its own."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._db = sqlite3.connect(path, timeout=PATIENCE_S)
        weakref.finalize(self, self._db.close)
        self._held: OrderedDict[tuple[str, str], NDArray[Any]] = OrderedDict()
        self._room = ROOM

    def of(self, scene: str, fingerprint: str) -> NDArray[Any]:
        """Return what one detector's code found in one frame (`SPOT_TYPE`).

        Raises
        ------
        YardError
            If the store no longer holds it.
        """
        key = scene, fingerprint
        if key in self._held:
            self._held.move_to_end(key)
            return self._held[key]
        found = np.frombuffer(self._read(key), dtype=SPOT_TYPE)
        self._held[key] = found
        self._room -= found.nbytes
        while self._room < 0 and len(self._held) > 1:
            self._room += self._held.popitem(last=False)[1].nbytes
        return found

    def _read(self, key: tuple[str, str]) -> bytes:
        query = "SELECT spots FROM result WHERE scene = ? AND fingerprint = ? AND problem IS NULL"
        row = self._db.execute(query, key).fetchone()
        if row is None:
            raise YardError(f"{self._path} lost rows while they were read; run the same command again")
        return bytes(row[0])

    def rows(self, scenes: Mapping[str, str], fingerprints: Mapping[str, str]) -> Iterator[StoredResult | ResultRow]:
        """Yield the results of some scenes and methods by detector and frame, the failed ones as `ResultRow`.

        Parameters
        ----------
        scenes
            Scene digests, each to itself: the rows share these strings.
        fingerprints
            Method name to the fingerprint that counts.
        """
        query = """
            SELECT scene, detector, fingerprint, problem, cpu_s, wall_s, peak_bytes
            FROM result LEFT JOIN memory USING (scene, fingerprint) ORDER BY detector, scene"""
        for scene, detector, fingerprint, problem, cpu_s, wall_s, peak in self._db.execute(query):
            if scene not in scenes or fingerprints.get(detector) != fingerprint:
                continue
            if problem is not None:
                yield ResultRow(scene, detector, fingerprint, problem, np.nan, np.nan, np.zeros(0, SPOT_TYPE))
            else:
                memory = np.nan if peak is None else float(peak)
                yield StoredResult(scenes[scene], detector, fingerprints[detector], cpu_s, wall_s, memory, self)


@dataclass(frozen=True, slots=True)
class StoredResult:
    """As `store.ResultRow`, of a detector that answered, with `spots` read when they are asked for."""

    scene: str
    detector: str
    fingerprint: str
    cpu_s: float
    wall_s: float
    memory_bytes: float
    candidates: Candidates

    @property
    def problem(self) -> str | None:
        """None, as it answered."""
        return None

    @property
    def spots(self) -> NDArray[Any]:
        """Judged candidates, strongest first."""
        return self.candidates.of(self.scene, self.fingerprint)
