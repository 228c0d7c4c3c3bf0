"""What `moteyard rank` concludes from its rows, and `moteyard threshold`: a ranking, a page, a chosen threshold."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from .boards import Board, best_method, boards
from .cells import Table
from .choice import Choice, choose, read_choice, write_choice
from .cost_curve import cost_curves
from .critical import mean_ranks
from .errors import YardError
from .export import case_frame, ranking_frame, write_csv
from .gaps import gaps
from .rerun import OUTPUTS
from .run import stored_table
from .store import ResultRow, Store, open_store
from .suite import Suite
from .terminal import board_lines, choice_lines, failure_lines, gap_lines, legend, wrapped
from .wishes import AnyWish, CostWish, Wish


def conclude(suite: Suite, folder: Path, store: Store) -> tuple[str, str]:
    """Rank what a suite's store holds and write its folder; return what to print, and what its board lacks.

    Raises
    ------
    YardError
        If nothing can be judged.
    """
    table, failures = stored_table(store)
    lacking = gaps(store, suite)
    shown = boards(table)
    choice = _write(folder, store, table, shown=shown, failures=failures)
    missing = [*failure_lines(failures), *gap_lines(lacking)] if lacking else []
    return _text(suite, folder, shown=shown, choice=choice), "\n".join(missing)


def _write(
    folder: Path, store: Store, table: Table, *, shown: Sequence[Board], failures: Sequence[ResultRow]
) -> Choice | None:
    from .report.looks import write_looks  # matplotlib is slow to import
    from .report.page import write_page
    from .report.plots import write_curves
    from .report.ranks import write_ranks

    if not table:
        return None
    method = best_method(shown)
    if method is None:
        raise YardError("no frame holds a shadow that anyone would see: nothing can be judged; add dust to the suite")
    write_csv(ranking_frame(shown), folder / "ranking.csv")
    write_csv(case_frame(table), folder / "cases.csv")
    write_curves(table, folder / "curves.png")
    ranked = mean_ranks(table)
    if ranked:
        write_ranks(ranked, folder / "ranks.png")
    choice = make_choice(store, table, method, Wish())
    write_choice(choice, folder / "threshold.json")
    write_looks(table, choice, folder / "frames.jpg")
    write_page(folder / "report.html", shown=shown, choice=choice, failures=failures, card=store.card())
    return choice


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


def _text(suite: Suite, folder: Path, *, shown: Sequence[Board], choice: Choice | None) -> str:
    parts = [[f"{suite.name} version {suite.version}: {suite.summary}"], *map(board_lines, shown)]
    if choice is not None:
        written = ", ".join(name for name in OUTPUTS if (folder / name).exists())
        where = [*wrapped(f"written to {folder}: {written}"), f"next: moteyard find PHOTO… --from {folder}"]
        parts += [legend(), choice_lines(choice), where]
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
    write_choice(choice, path)
    print("\n".join(choice_lines(choice)))
    if isinstance(wish, CostWish):
        from .report.costs import write_costs  # matplotlib is slow to import

        write_costs(cost_curves(table), wish.false / wish.miss, folder / "costs.png")
        print("\nall methods over all ratios of the two costs: costs.png beside the results")
    print(f"\nwritten to {path}; next: moteyard find PHOTO… --from {path}")
    return 0
