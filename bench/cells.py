"""The store's rows, gathered cell by cell for the statistics."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .curve import Curve, curve
from .pooled_hits import PooledHits, pool
from .store import HIT, IGNORED, FrameRow, ResultRow, Store
from .stored_rows import Candidates, StoredResult


@dataclass(frozen=True, slots=True)
class Record:
    """One method on one frame: the frame's row and the method's."""

    frame: FrameRow
    result: ResultRow | StoredResult

    @property
    def counting(self) -> NDArray[np.bool_]:
        """Which candidates are hits or false alarms, as opposed to ignored."""
        return np.asarray(self.result.spots["kind"] != IGNORED)

    @property
    def score(self) -> NDArray[np.float32]:
        """Scores of the counting candidates, strongest first."""
        return np.asarray(self.result.spots["score"][self.counting])

    @property
    def hit(self) -> NDArray[np.bool_]:
        """Which of the counting candidates are hits."""
        return np.asarray(self.result.spots["kind"][self.counting] == HIT)

    @property
    def false_scores(self) -> NDArray[np.float32]:
        """Scores of the false alarms, strongest first."""
        return self.score[~self.hit]


Table = dict[str, list[Record]]
"""Method name to its records; all methods of one table have the same frames in the same order."""


def load_table(store: Store, scenes: Iterable[str], fingerprints: dict[str, str]) -> tuple[Table, list[ResultRow]]:
    """Return the records of the given scenes and methods, and the results that failed.

    Parameters
    ----------
    scenes
        Scene digests that belong to the run.
    fingerprints
        Method name to the fingerprint that counts.

    A method that failed on any frame is left out of the table: a mean over the frames it survived would
    flatter it. Candidates stay in the store until they are looked at, so that memory does not grow with them.
    """
    wanted = set(scenes)
    frames = {row.scene: row for row in store.frames() if row.scene in wanted}
    order = sorted(frames, key=lambda scene: frames[scene].name)
    answers: dict[str, dict[str, StoredResult]] = {name: {} for name in fingerprints}
    failures = []
    for row in Candidates(store.path).rows({scene: scene for scene in wanted}, fingerprints):
        if isinstance(row, StoredResult):
            answers[row.detector][row.scene] = row
        else:
            failures.append(row)
    table = {
        name: [Record(frames[scene], found[scene]) for scene in order]
        for name, found in answers.items()
        if wanted and len(found) == len(wanted)
    }
    return table, failures


def where(table: Table, *, ground: str | None = None, f_number: float | None = None) -> Table:
    """Return the table's records of one ground, one f-number, or both."""
    return {
        name: [
            record
            for record in records
            if ground in (None, record.frame.ground) and f_number in (None, record.frame.f_number)
        ]
        for name, records in table.items()
    }


def grounds(table: Table) -> list[str]:
    """Return the grounds of a table in the order of their texture, smoothest first."""
    texture: dict[str, list[float]] = {}
    for record in next(iter(table.values()), []):
        texture.setdefault(record.frame.ground, []).append(record.frame.texture)
    return sorted(texture, key=lambda ground: float(np.median(texture[ground])))


def f_numbers(table: Table) -> list[float]:
    """Return the f-numbers of a table, ascending."""
    return sorted({record.frame.f_number for record in next(iter(table.values()), [])})


def pooled_curve(records: Sequence[Record]) -> Curve:
    """Return the precision–recall curve of some frames of one method, pooled."""
    return curve(
        np.concatenate([record.score for record in records]),
        np.concatenate([record.hit for record in records]),
        truths=sum(record.frame.counted for record in records),
        frames=len(records),
        megapixels=sum(record.frame.megapixels for record in records),
    )


def pooled_hits(records: Sequence[Record]) -> PooledHits:
    """Return the candidates of some frames of one method with their blocks, for the bootstrap."""
    names = sorted({record.frame.block for record in records})
    number = {name: index for index, name in enumerate(names)}
    block = np.array([number[record.frame.block] for record in records])
    sizes = [len(record.score) for record in records]
    return pool(
        np.concatenate([record.score for record in records]),
        np.concatenate([record.hit for record in records]),
        np.repeat(block, sizes),
        truths=np.bincount(block, weights=[record.frame.counted for record in records], minlength=len(names)),
    )
