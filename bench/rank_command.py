"""What `moteyard rank` concludes from its rows, and `moteyard threshold`: a ranking, a page, a chosen threshold."""

from __future__ import annotations

import json
from pathlib import Path

from .answer import answer
from .answer_json import as_json
from .boards import best_method, boards
from .cells import Table
from .choice import Choice, choose, read_choice, replace_choice
from .cost_curve import cost_cells
from .errors import YardError
from .gaps import gaps
from .result import Result
from .run import stored_table
from .store import ResultRow, Store, open_store
from .suite import Suite
from .terminal import answer_lines, board_lines, choice_lines, failure_lines, gap_lines, legend, wrapped
from .told import OUTPUTS, Told
from .wishes import AnyWish, CostWish, Wish


def conclude(suite: Suite, folder: Path, store: Store) -> Told:
    """Rank what a suite's store holds and write its folder.

    Raises
    ------
    YardError
        If nothing can be judged.
    """
    result = summed_up(store)
    lacking = gaps(store, suite)
    if isinstance(result, Result):
        from .report.write import write_folder  # matplotlib is slow to import

        write_folder(folder, result)
    failures = result.failures if isinstance(result, Result) else result
    if not isinstance(result, Result) and not failures and not lacking:
        raise YardError(f"{folder} holds no method that has every frame; run the same command again to go on")
    missing = [*failure_lines(failures), *gap_lines(lacking)] if lacking else []
    as_object = json.dumps(as_json(result), indent=1, ensure_ascii=False, allow_nan=False)
    return Told(_text(suite, folder, result), as_object, "\n".join(missing))


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


def make_choice(store: Store, table: Table, method: str, wish: AnyWish) -> Choice:
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


def _text(suite: Suite, folder: Path, result: Result | list[ResultRow]) -> str:
    parts = [wrapped(f"{suite.name} version {suite.version}: {suite.summary}")]
    if isinstance(result, Result):
        written = ", ".join(name for name in OUTPUTS if (folder / name).exists())
        where = [*wrapped(f"written to {folder}: {written}"), f"next: moteyard find PHOTO… --from {folder}"]
        parts += [*map(board_lines, result.boards), legend(), choice_lines(result.answer.choice)]
        parts += [answer_lines(result.answer), where]
    return "\n\n".join("\n".join(part) for part in parts)


def choose_threshold(folder: Path, *, detector: str | None, wish: AnyWish, out: Path | None) -> int:
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
    former = replace_choice(choice, path)
    print("\n".join(choice_lines(choice)))
    if isinstance(wish, CostWish):
        from .report.cell_plots import write_costs  # matplotlib is slow to import

        write_costs(cost_cells(table), folder / "costs.png", at=wish.miss / wish.false)
        print("\nall methods over all ratios of the two costs: costs.png beside the results")
    print(f"\nwritten to {path}; next: moteyard find PHOTO… --from {path}")
    if former is not None:
        print(f"the choice that was there is kept as {former}")
    return 0
