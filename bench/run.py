"""Filling a result store: what is missing is rendered and judged, what is there is kept."""

from __future__ import annotations

import json
import platform
import re
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from tqdm import tqdm

from ..detectors.registry import fingerprint, load
from .ceiling import NAME as IDEAL
from .cells import Table, load_table
from .engine import cores, run_jobs
from .errors import YardError
from .judge import Job
from .store import ResultRow, Store
from .suite import Suite

_NAME = re.compile(r"[A-Za-z0-9_.-]{1,24}")
"""Names stand in tables, files and pages: short, and of one line."""

_VERSIONED = ("moteyard", "numpy", "scipy", "scikit-image", "opencv-python", "pandas")


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
        if not _NAME.fullmatch(str(detector.name)) or detector.name == IDEAL:
            raise YardError(
                f"{spec}: a detector's name must be 1 to 24 letters, digits, '-', '_' or '.', and not {IDEAL!r}; "
                f"it is {detector.name!r}"
            )
        if detector.name in found:
            raise YardError(f"two detectors are named {detector.name!r}; give one of them another name")
        found[detector.name] = fingerprint(detector)
    return found


def missing_jobs(store: Store, suite: Suite, specs: Sequence[str]) -> list[Job]:
    """Return the jobs whose results the store does not hold yet."""
    done = store.done()
    prints = [fingerprint(load(spec)) for spec in specs]
    jobs = []
    for scene in suite.scenes():
        digest = scene.digest
        lacking = tuple(spec for spec, mark in zip(specs, prints, strict=True) if (digest, mark) not in done)
        if lacking:
            ground = scene.name.split("/")[0]
            jobs.append(Job(scene=scene.to_json(), ground=ground, detectors=lacking, viewing=suite.viewing))
    return jobs


def fill(folder: Path, suite: Suite, specs: Sequence[str], *, workers: int | None = None) -> Store:
    """Run what is missing of a suite into a folder's store and return the store.

    Progress shows on the error stream. An interrupt keeps every finished frame; the same call goes on.
    """
    fingerprints(specs)  # stops here, before anything is written, where one can't be loaded
    folder.mkdir(parents=True, exist_ok=True)
    store = Store(folder / "run.sqlite")
    _write_card(store, suite, specs)
    jobs = missing_jobs(store, suite, specs)
    total = sum(len(job.detectors) for job in jobs)
    with tqdm(total=total, unit="look", desc=suite.name, disable=not jobs, file=sys.stderr) as bar:
        for frame, results in run_jobs(jobs, workers=workers or cores()):
            store.add(frame, results)
            bar.update(len(results))
    return store


def _write_card(store: Store, suite: Suite, specs: Sequence[str]) -> None:
    """Note what was run, with what, where."""
    held = store.note("suite_digest")
    if held is not None and held != suite.digest:
        raise YardError(
            f"{store.path.parent} holds results of another recipe of suite {store.note('suite')!r}; "
            "choose another --out"
        )
    if store.note("started") is None:
        store.set_note("started", datetime.now(UTC).isoformat(timespec="minutes"))
    store.set_note("suite", suite.name)
    store.set_note("suite_version", str(suite.version))
    store.set_note("suite_digest", suite.digest)
    store.set_note("frame_megapixels", repr(suite.megapixels))
    store.set_note("scenes", json.dumps([scene.digest for scene in suite.scenes()]))
    _add_to_note(store, "fingerprints", fingerprints(specs))
    _add_to_note(store, "specs", {load(spec).name: spec for spec in specs})
    store.set_note("command", " ".join(["moteyard", *sys.argv[1:]]))
    store.set_note("versions", library_versions())
    store.set_note("machine", machine())


def library_versions() -> str:
    """Return this version and those of the libraries that pixels and scores depend on."""
    return "; ".join(f"{name} {version(name)}" for name in _VERSIONED)


def machine() -> str:
    """Return system, processor and Python."""
    return f"{platform.system()} {platform.machine()}, Python {platform.python_version()}"


def _add_to_note(store: Store, key: str, items: dict[str, str]) -> None:
    """Add to a note that maps detector names: methods already in the folder stay on its board."""
    held = json.loads(store.note(key) or "{}")
    store.set_note(key, json.dumps(held | items))


def stored_table(store: Store) -> tuple[Table, list[ResultRow]]:
    """Return the records of every method in a store that has the whole suite, and the failed results."""
    scenes = json.loads(store.note("scenes") or "[]")
    return load_table(store, scenes, json.loads(store.note("fingerprints") or "{}"))
