"""`moteyard rank` and `moteyard threshold`: from a suite to a ranking, a page and a chosen threshold."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..detectors.registry import names
from .answer import answer
from .answer_json import as_json
from .boards import best_method, boards
from .cells import Table
from .choice import Choice, Wish, choose, read_choice, write_choice
from .errors import YardError
from .result import Result
from .run import fill, stored_table
from .store import ResultRow, Store, open_store
from .suite import Suite
from .suite_file import load_suite
from .terminal import answer_lines, board_lines, choice_lines, failure_lines, legend, wrapped


@dataclass(frozen=True, slots=True)
class Ranked:
    """A suite that was run, the folder that holds it, and what it says, or the failed results alone."""

    suite: Suite
    folder: Path
    result: Result | list[ResultRow]

    @property
    def failures(self) -> Sequence[ResultRow]:
        """The failed results."""
        return self.result.failures if isinstance(self.result, Result) else self.result


def rank(
    spec: str,
    *,
    photos: Path | None,
    detectors: Sequence[str],
    out: Path | None,
    workers: int | None,
) -> Ranked:
    """Run a suite and write its folder."""
    suite = load_suite(spec)
    if photos is not None:
        suite = suite.with_photographs(photos)
    for note in suite.notes():
        print(f"moteyard: {note}", file=sys.stderr)
    folder = out or default_folder(suite, photos)
    store = fill(folder, suite, list(detectors) or names(), workers=workers)
    try:
        result = summed_up(store)
    finally:
        store.close()
    if isinstance(result, Result):
        from .report.write import write_folder  # matplotlib is slow to import

        write_folder(folder, result)
    return Ranked(suite, folder, result)


def show(ranked: Ranked, *, as_object: bool = False) -> int:
    """Print the answer, as tables or as one JSON object, and return the exit status: 1 if a detector failed."""
    if as_object:
        print(json.dumps(as_json(ranked.result), indent=1, ensure_ascii=False, allow_nan=False))
    else:
        _print(ranked)
    if ranked.failures:
        print("\n".join(failure_lines(ranked.failures)), file=sys.stderr)
    return 1 if ranked.failures else 0


def default_folder(suite: Suite, photos: Path | None) -> Path:
    """Return where a suite's results go when the user does not say."""
    name = suite.name if photos is None else f"{suite.name}-with-{photos.resolve().name}"
    return Path("results") / name


def summed_up(store: Store) -> Result | list[ResultRow]:
    """Return what a store says, or the failed results alone where no method has every frame.

    Raises
    ------
    YardError
        If no frame holds anything to see.
    """
    table, failures = stored_table(store)
    if not table:
        return failures
    shown = boards(table)
    method = best_method(shown)
    if method is None:
        raise YardError("no frame holds a shadow that anyone would see: nothing can be judged; add dust to the suite")
    wish = Wish()
    choices = {name: choose(table, name, wish) for name in table}
    told = answer(table, make_choice(store, table, method, wish), choices)
    return Result(table, shown, told, choices, failures, store.card())


def make_choice(store: Store, table: Table, method: str, wish: Wish) -> Choice:
    """Return a method's thresholds on a run's grounds."""
    return Choice(
        detector=json.loads(store.note("specs") or "{}")[method],
        method=method,
        fingerprint=table[method][0].result.fingerprint,
        suite=f"{store.note('suite')} version {store.note('suite_version')}",
        frame_megapixels=float(store.note("frame_megapixels") or "nan"),
        wish=wish,
        cells=choose(table, method, wish),
    )


def _print(ranked: Ranked) -> None:
    suite, folder, result = ranked.suite, ranked.folder, ranked.result
    parts = [[f"{suite.name} version {suite.version}: {suite.summary}"]]
    if isinstance(result, Result):
        from .report.write import WRITTEN

        where = [*wrapped(f"written to {folder}: {WRITTEN}"), f"next: moteyard find PHOTO… --from {folder}"]
        parts += [*map(board_lines, result.boards), legend(), choice_lines(result.answer.choice)]
        parts += [answer_lines(result.answer), where]
    print("\n\n".join("\n".join(part) for part in parts))
    if not isinstance(result, Result) and not result:
        raise YardError(f"{folder} holds no method that has every frame; run the same command again to go on")


def choose_threshold(folder: Path, *, detector: str | None, wish: Wish, out: Path | None) -> int:
    """Choose thresholds again from a result folder, print them and write them down."""
    store = open_store(folder)
    try:
        table, _ = stored_table(store)
        method = detector or best_method(boards(table))
        if method is None or method not in table:
            raise YardError(f"{folder} has no complete results of {method!r}; it has {', '.join(table) or 'none'}")
        choice = make_choice(store, table, method, wish)
    finally:
        store.close()
    path = out or folder / "threshold.json"
    if path.exists():
        read_choice(path)  # only a threshold file may be replaced
    write_choice(choice, path)
    print("\n".join(choice_lines(choice)))
    print(f"\nwritten to {path}; next: moteyard find PHOTO… --from {path}")
    return 0
