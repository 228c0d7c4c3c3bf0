"""Filling a result store: what is missing is rendered and judged, what is there is kept."""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from tqdm import tqdm

from ..detectors.contract_checks import NAME
from ..detectors.registry import fingerprint, load
from ..generators.scene import Scene
from .allowance import Allowance
from .ceiling import NAME as IDEAL
from .cells import Table, load_table
from .crew import Crew, LocalCrew
from .engine import cores, drive
from .errors import YardError
from .judge import Job
from .provenance import library_versions, machine
from .store import ResultRow, Store, added
from .suite import Suite


def fingerprints(specs: Sequence[str]) -> dict[str, str]:
    """Return name → fingerprint of the detectors, in the given order.

    Raises
    ------
    YardError
        If two of them carry one name: their scores could not be told apart.
    """
    found: dict[str, str] = {}
    for spec in specs:
        detector = load(spec)
        if not NAME.fullmatch(str(detector.name)) or detector.name == IDEAL:
            raise YardError(
                f"{spec}: a detector's name must be 1 to 24 letters, digits, '-', '_' or '.', and not {IDEAL!r}; "
                f"it is {detector.name!r}"
            )
        if detector.name in found:
            raise YardError(f"two detectors are named {detector.name!r}; give one of them another name")
        found[detector.name] = fingerprint(detector)
    return found


@dataclass(frozen=True, slots=True)
class Means:
    """What a run may use.

    Attributes
    ----------
    workers
        Processes on this machine; None is one a core.
    scheduler
        Address of a dask scheduler that has workers of its own, instead.
    allowance
        What a detector may take on one frame.
    """

    workers: int | None = None
    scheduler: str | None = None
    allowance: Allowance = field(default_factory=Allowance)

    def crew(self) -> Crew:
        """Return who does the jobs."""
        if self.scheduler is None:
            return LocalCrew(self.workers or cores(), self.allowance)
        from .cluster import ClusterCrew  # an extra

        return ClusterCrew(self.scheduler, self.allowance, library_versions())


class Missing:
    """The looks, one a frame and detector, that a store lacks of a suite, as jobs.

    Jobs come in an order of their own and are looked up again when they are taken: two runs that fill one folder at
    the same time share the work.
    """

    def __init__(self, store: Store, suite: Suite, specs: Sequence[str], *, marks: Sequence[str]) -> None:
        self._store, self._suite, self._specs, self._marks = store, suite, specs, marks
        lacks = {place: len(self._lacking(suite.scene(place))) for place in range(len(suite))}
        self._places = [place for place, count in lacks.items() if count]
        self.looks = sum(lacks.values())

    def _lacking(self, scene: Scene) -> tuple[str, ...]:
        answered = self._store.answered(scene.digest)
        return tuple(spec for spec, mark in zip(self._specs, self._marks, strict=True) if mark not in answered)

    def __iter__(self) -> Iterator[Job]:
        """Yield a job for each frame that lacks any."""
        for place in random.SystemRandom().sample(self._places, len(self._places)):
            scene = self._suite.scene(place)
            lacking = self._lacking(scene)
            if lacking:
                ground = scene.name.split("/")[0]
                yield Job(scene=scene.to_json(), ground=ground, detectors=lacking, viewing=self._suite.viewing)


def fill(folder: Path, suite: Suite, specs: Sequence[str], *, means: Means) -> Store:
    """Run what is missing of a suite into a folder's store and return the store.

    Progress shows on the error stream. An interrupt keeps every finished frame; the same call goes on.

    Raises
    ------
    YardError
        If a detector can't be used, its code changes under the run, or the store can't be written.
    """
    marks = fingerprints(specs)  # stops here, before anything is written, where one can't be loaded
    folder.mkdir(parents=True, exist_ok=True)
    store = Store(folder / "run.sqlite")
    try:
        _write_card(store, suite, specs, marks)
        _run_missing(store, suite, Missing(store, suite, specs, marks=list(marks.values())), marks=marks, means=means)
    except BaseException:
        store.close()
        raise
    return store


def _run_missing(store: Store, suite: Suite, jobs: Missing, *, marks: Mapping[str, str], means: Means) -> None:
    if not jobs.looks:
        return
    crew = means.crew()
    bar = tqdm(total=jobs.looks, unit="look", desc=suite.name, file=sys.stderr)
    with bar, closing(drive(jobs, crew)) as outcomes:
        for frame, results in outcomes:
            check_marks(results, marks)
            store.add(frame, results)
            bar.update(len(results))


def check_marks(results: Sequence[ResultRow], marks: Mapping[str, str]) -> None:
    """Return if the results are by the code that the run began with.

    Raises
    ------
    YardError
        If one is not.
    """
    for row in results:
        if marks.get(row.detector) != row.fingerprint:
            raise YardError(
                f"{row.detector} answered as {row.fingerprint} and not as {marks.get(row.detector)}: its code changed "
                "under the run or is another one on a worker; run again with one version everywhere"
            )


def _write_card(store: Store, suite: Suite, specs: Sequence[str], marks: Mapping[str, str]) -> None:
    """Note what was run, with what, where.

    Raises
    ------
    YardError
        If the store is another recipe's, whichever of two runs that start together was the first.
    """
    card = {
        "suite": suite.name,
        "suite_version": str(suite.version),
        "suite_digest": suite.digest,
        "frame_megapixels": repr(suite.megapixels),
        "scenes": json.dumps([scene.digest for scene in suite.scenes()]),
        "command": " ".join(["moteyard", *sys.argv[1:]]),
        "versions": library_versions(),
        "machine": machine(),
    }
    now = datetime.now(UTC).isoformat(timespec="minutes")

    def revised(held: Mapping[str, str]) -> dict[str, str]:
        if held.get("suite_digest", suite.digest) != suite.digest:
            raise YardError(
                f"{store.path.parent} holds results of another recipe of suite {held.get('suite')!r}; "
                "choose another --out"
            )
        # Added to, not replaced: methods already in the folder stay on its board.
        methods = {"fingerprints": marks, "specs": dict(zip(marks, specs, strict=True))}
        return {
            "started": held.get("started") or now,
            **card,
            **{key: added(held, key, items) for key, items in methods.items()},
        }

    store.revise_notes(revised)


def stored_table(store: Store) -> tuple[Table, list[ResultRow]]:
    """Return the records of every method in a store that has the whole suite, and the failed results."""
    scenes = json.loads(store.note("scenes") or "[]")
    return load_table(store, scenes, json.loads(store.note("fingerprints") or "{}"))
