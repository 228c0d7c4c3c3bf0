"""`moteyard rank` where there is no finished answer: fill a folder, then rank what it holds."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from ..detectors.registry import load, names, sources
from .kept_answer import NOTE, Ground, Question, as_note, foreign, spelled
from .rank_command import conclude
from .run import Means, fill
from .store import Store
from .suite import Suite
from .suite_file import load_suite
from .told import Told


def rank(question: Question, *, means: Means) -> Told:
    """Run a suite and write its folder; an answer that lacks nothing is kept in the store."""
    suite = load_suite(question.suite)
    if question.photos is not None:
        suite = suite.with_photographs(question.photos)
    notes = tuple(suite.notes())
    for note in notes:
        print(f"moteyard: {note}", file=sys.stderr)
    folder = question.folder(suite.name)
    specs = list(question.detectors) or judged_by_default(suite)
    store = fill(folder, suite, specs, means=means)
    try:
        before = store.digest()
        told = conclude(suite, folder, store)
        if not told.missing and store.digest() == before:  # as it is, unless another run wrote meanwhile
            kept = Told(told.text, told.object, "", notes)
            store.set_note(NOTE, as_note(kept, question, folder, ground=_ground(suite, store, specs), rows=before))
    finally:
        store.close()
    return told


def _ground(suite: Suite, store: Store, asked: Sequence[str]) -> Ground:
    """Return what an answer of this run stands on."""
    specs = tuple(dict.fromkeys([*asked, *store.specs().values()]))
    files = {path for spec in specs for path in sources(load(spec))}
    folders = {str(dict(one.options)["folder"]) for one in suite.grounds if one.background == "photograph"}
    return Ground(
        specs=specs,
        default=tuple(judged_by_default(suite)),
        files=(*foreign(files), *spelled(specs)),
        folders=tuple(sorted(folders)),
    )


def judged_by_default(suite: Suite) -> list[str]:
    """Return the registered detectors that a suite judges when none is asked for: all but those it skips."""
    return [name for name in names() if name not in suite.skip]
