"""`moteyard rank`: fill a folder, then rank what it holds, or show the answer it holds already.

A rerun that finds nothing to do, and outputs as it left them, prints what it printed then: statistics and plots of
the same rows by the same code would be the same.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from ..detectors.registry import names
from .provenance import library_versions
from .run import Means, fill
from .store import Store
from .suite import Suite
from .suite_file import load_suite
from .told import OUTPUTS, Told

_NOTE = "answer"
"""Note of the store that holds the last complete answer and of what state it is one."""


def rank(spec: str, *, photos: Path | None, detectors: Sequence[str], out: Path | None, means: Means) -> int:
    """Run a suite, print its ranking, write its folder. Returns the exit status: 1 if its board lacks frames."""
    suite = load_suite(spec)
    if photos is not None:
        suite = suite.with_photographs(photos)
    for note in suite.notes():
        print(f"moteyard: {note}", file=sys.stderr)
    folder = out or default_folder(suite, photos)
    store = fill(folder, suite, list(detectors) or judged_by_default(suite), means=means)
    try:
        told = _kept(store, folder) or _made(suite, folder, store)
    finally:
        store.close()
    print(told.object if means.as_object else told.text)
    if told.missing:
        print(told.missing, file=sys.stderr)
    return 1 if told.missing else 0


def judged_by_default(suite: Suite) -> list[str]:
    """Return the registered detectors that a suite judges when none is asked for: all but those it skips."""
    return [name for name in names() if name not in suite.skip]


def default_folder(suite: Suite, photos: Path | None) -> Path:
    """Return where a suite's results go when the user does not say."""
    name = suite.name if photos is None else f"{suite.name}-with-{photos.resolve().name}"
    return Path("results") / name


def _kept(store: Store, folder: Path) -> Told | None:
    held = json.loads(store.note(_NOTE) or "{}")
    return Told(held["text"], held["object"], "") if held and held["state"] == _state(store, folder) else None


def _made(suite: Suite, folder: Path, store: Store) -> Told:
    from .rank_command import conclude  # statistics, tables and plots are slow to import

    told = conclude(suite, folder, store)
    if not told.missing:
        store.set_note(_NOTE, json.dumps({"state": _state(store, folder), "text": told.text, "object": told.object}))
    return told


def _state(store: Store, folder: Path) -> str:
    """Return a digest of all that an answer depends on: rows, code, libraries, where it lies, and its outputs.

    A row's content follows from its scene and its detector's code, so keys and counts stand for the rows.
    """
    digest = hashlib.sha256(str(folder).encode())
    for key in ("suite_digest", "fingerprints", "specs"):
        digest.update(str(store.note(key)).encode())
    digest.update(repr((store.counts(), library_versions())).encode())
    here = Path(__file__).parent
    for path in [
        *sorted(here.rglob("*.py")),
        *sorted(here.glob("report/**/*.*")),
        *(folder / name for name in OUTPUTS),
    ]:
        digest.update(path.read_bytes() if path.is_file() else b"absent")
    return digest.hexdigest()
