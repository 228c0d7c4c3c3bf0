"""Everything that `rank` leaves in a result folder beside the store."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ..choice import write_choice
from ..critical import mean_ranks
from ..explore import kept_explore
from ..export import case_frame, cost_frame, ranking_frame, sweep_frame, write_csv
from ..gallery_file import kept_gallery
from ..result import Result
from ..run_card import run_card
from .cell_plots import write_costs, write_froc
from .looks import write_looks
from .page import Picture, Report, write_page
from .plots import write_curves
from .ranks import write_ranks
from .reliability_plot import stated_for_page

OPTIONAL = (
    Picture(
        Path("ranks.png"),
        "Mean rank of each method over scenes, a panel a ground, in bars one critical difference long",
        "Mean ranks; methods whose bars overlap can’t be told apart by ranks (Nemenyi’s critical difference)",
    ),
)
"""Pictures that other commands leave in the folder, shown where they are."""


def write_folder(folder: Path, result: Result) -> None:
    """Write tables, plots, the chosen threshold and the page of a run, with a progress bar for the slow part."""
    method = result.answer.choice.method
    cells = kept_explore(folder / "explore.json", result.table, result.choices)
    write_choice(result.answer.choice, folder / "threshold.json")
    write_csv(ranking_frame(result.boards), folder / "ranking.csv")
    write_csv(case_frame(result.table), folder / "cases.csv")
    write_csv(sweep_frame(cells), folder / "sweep.csv")
    write_csv(cost_frame(cells), folder / "cost.csv")
    write_curves(result.table, folder / "curves.png")
    write_froc(cells, folder / "froc.png")
    write_costs(cells, folder / "cost.png")
    ranked = mean_ranks(result.table)
    if ranked:
        write_ranks(ranked, folder / "ranks.png")
    write_looks(result.table, result.answer.choice, folder / "frames.jpg")
    report = Report(
        boards=result.boards,
        answer=result.answer,
        cells=cells,
        gallery=kept_gallery(folder / "crops.json", result.table, method, result.choices),
        pictures=list(_pictures(folder, method)),
        failures=result.failures,
        card=run_card(result.notes, result.table),
        stated=stated_for_page(result.table, result.notes, folder),
    )
    write_page(folder / "report.html", report)


def _pictures(folder: Path, method: str) -> Iterator[Picture]:
    frames = f"One rendered frame a ground, with what {method} found (ring), missed (dashed) and wrongly took (ticks)"
    yield Picture(folder / "frames.jpg", frames, frames, plot=False)
    curves = "Precision over recall for every method, one panel a ground, all apertures pooled"
    yield Picture(folder / "curves.png", curves, curves)
    for one in OPTIONAL:
        if (folder / one.path).is_file():
            yield Picture(folder / one.path, one.alt, one.caption)
