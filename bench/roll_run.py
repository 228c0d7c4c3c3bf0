"""Filling a store with judged rolls: what is missing is rendered and judged, what is there is kept."""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from tqdm import tqdm

from .engine import drive
from .errors import YardError
from .provenance import library_versions, machine
from .roll_job import RollJob, row_key
from .roll_score import RollScore
from .roll_suite import RollSuite
from .run import Means, check_marks, fingerprints
from .store import ResultRow, Store

STORE = "rolls.sqlite"
"""Name of the store in a result folder; `rank`'s, which is of single frames, has another."""


def fill_rolls(folder: Path, suite: RollSuite, specs: Sequence[str], *, namespace: str, means: Means) -> Store:
    """Run what is missing of a roll suite into a folder's store and return the store.

    Progress shows on the error stream. An interrupt keeps every finished roll; the same call goes on.

    Raises
    ------
    YardError
        If a detector can't be used, its code changes under the run, or the store can't be written or is another
        suite's.
    """
    marks = fingerprints(specs)  # stops here, before anything is written, where one can't be loaded
    folder.mkdir(parents=True, exist_ok=True)
    store = Store(folder / STORE)
    try:
        _write_card(store, suite)
        _run_missing(store, suite, list(_missing(store, suite, specs, marks=marks, namespace=namespace)), marks, means)
    except BaseException:
        store.close()
        raise
    return store


def _missing(
    store: Store, suite: RollSuite, specs: Sequence[str], *, marks: Mapping[str, str], namespace: str
) -> Iterator[RollJob]:
    """Yield a job for each roll that lacks an answer at any count."""
    for kind, roll in suite.made(namespace):
        answered = [store.answered(row_key(roll.digest, count)) for count in suite.counts]
        done = set.intersection(*answered)
        lacking = tuple(spec for spec, mark in zip(specs, marks.values(), strict=True) if mark not in done)
        if lacking:
            yield RollJob(roll.to_json(), kind, suite.counts, lacking)


def _run_missing(store: Store, suite: RollSuite, jobs: list[RollJob], marks: Mapping[str, str], means: Means) -> None:
    if not jobs:
        return
    # In an order of their own, so that an interrupted run has rolls of each kind.
    random.SystemRandom().shuffle(jobs)
    total = sum(len(job.detectors) for job in jobs)
    bar = tqdm(total=total, unit="roll", desc=suite.name, file=sys.stderr, smoothing=0.05)
    with bar, closing(drive(jobs, means.crew())) as outcomes:
        for rows, results in outcomes:
            check_marks(results, marks)
            for row in rows or ():
                store.add(row, [result for result in results if result.scene == row.scene])
            if rows is None:
                store.add(None, results)
            bar.update(len(results) // len(suite.counts))


def _write_card(store: Store, suite: RollSuite) -> None:
    """Note what was run, with what, where.

    Raises
    ------
    YardError
        If the store is another recipe's.
    """
    card = {
        "suite": suite.name,
        "suite_version": str(suite.version),
        "suite_digest": suite.digest,
        "command": " ".join(["moteyard", *sys.argv[1:]]),
        "versions": library_versions(),
        "machine": machine(),
    }
    now = datetime.now(UTC).isoformat(timespec="minutes")

    def revised(held: Mapping[str, str]) -> dict[str, str]:
        if held.get("suite_digest", suite.digest) != suite.digest:
            raise YardError(
                f"{store.path.parent} holds results of another recipe of rolls {held.get('suite')!r}; "
                "choose another --out"
            )
        return {"started": held.get("started") or now, **card}

    store.revise_notes(revised)


def stored_scores(
    store: Store, suite: RollSuite, marks: Mapping[str, str], *, namespace: str
) -> tuple[list[RollScore], list[ResultRow]]:
    """Return the scores of all methods that answered on every roll, in the suite's order, and failed results."""
    rolls = {
        row_key(roll.digest, count): (kind, roll.name, count)
        for kind, roll in suite.made(namespace)
        for count in suite.counts
    }
    frames = {row.scene: row for row in store.frames() if row.scene in rolls}
    found: dict[str, dict[str, ResultRow]] = {name: {} for name in marks}
    failures = []
    for row in store.results():
        if row.scene in rolls and marks.get(row.detector) == row.fingerprint:
            if row.problem is None:
                found[row.detector][row.scene] = row
            else:
                failures.append(row)
    whole = {name: rows for name, rows in found.items() if len(rows) == len(rolls)}
    scores = [
        RollScore.of(frames[key], rows[key], count=count)
        for name, rows in whole.items()
        for key, (_, _, count) in rolls.items()
    ]
    return scores, failures
