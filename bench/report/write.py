"""Everything that `rank` leaves in a result folder beside the store."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..choice import Choice, asks_the_same, replace_choice, write_choice
from ..critical import mean_ranks
from ..explore import kept_explore
from ..export import case_frame, cost_frame, ranking_frame, sweep_frame, write_csv
from ..gallery import webp
from ..gallery_file import kept_gallery
from ..limit import limits
from ..limit_command import limit_frame
from ..operating import thresholds
from ..result import Result
from ..run_card import run_card
from .cell_plots import write_costs, write_froc
from .limits import write_limits
from .looks import Look, looks, write_looks
from .page import Picture, Report, write_page
from .plots import write_curves
from .ranks import write_ranks
from .reliability_plot import stated_for_page

FRAME_QUALITY = 72
"""Of the whole frames on the page, 0–100: they show marks and kinds of ground; faint shadows are for the crops."""


def write_folder(folder: Path, result: Result) -> None:
    """Write tables, plots, the chosen threshold and the page of a run, with a progress bar for the slow part."""
    method = result.answer.choice.method
    cells = kept_explore(folder / "explore.json", result.table, result.choices)
    _write_threshold(result.answer.choice, folder / "threshold.json")
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
    sizes = limits(result.table, method, thresholds(result.answer.choice))
    write_csv(limit_frame(sizes, method), folder / "limit.csv")
    write_limits(sizes, method, folder / "limit.png")
    shown = looks(result.table, result.answer.choice)
    write_looks(shown, folder / "frames.jpg")
    report = Report(
        boards=result.boards,
        answer=result.answer,
        cells=cells,
        gallery=kept_gallery(folder / "crops.json", result.table, method, result.choices),
        frames=_frames(shown, method),
        curves=_curves(folder / "curves.png"),
        ranks=ranked,
        failures=result.failures,
        card=run_card(result.notes, result.table),
        stated=stated_for_page(result.table, result.notes, folder),
    )
    write_page(folder / "report.html", report)


def _write_threshold(choice: Choice, path: Path) -> None:
    """Write the chosen threshold; one that the user chose otherwise is kept, and the error stream says where."""
    if asks_the_same(choice, path):
        write_choice(choice, path)
    elif kept := replace_choice(choice, path):
        print(f"moteyard: {path} held another choice of thresholds, which is kept as {kept}", file=sys.stderr)


def _frames(shown: Sequence[Look], method: str) -> list[Picture]:
    """Return the frames for the page."""
    pictures = []
    for look in shown:
        cell = f"{look.ground}, f/{look.f_number:g}"
        count = f"{look.found} of {look.visible} visible shadows found, {false_alarms_word(look.false_alarms)}"
        alt = f"A rendered frame of {cell}, with what {method} found, missed and wrongly took marked"
        pictures.append(Picture(webp(np.asarray(look.picture), quality=FRAME_QUALITY), alt, f"{cell}: {count}"))
    return pictures


def false_alarms_word(count: int) -> str:
    """Return a number of false alarms.

    >>> false_alarms_word(0), false_alarms_word(1), false_alarms_word(3)
    ('no false alarm', '1 false alarm', '3 false alarms')
    """
    return f"{count or 'no'} false alarm{'s' * (count > 1)}"


def _curves(path: Path) -> Picture:
    from PIL import Image

    with Image.open(path) as plot:
        data = webp(np.asarray(plot.convert("RGB")), quality=None)
    caption = "Precision over recall for every method, a panel a ground, all apertures pooled"
    return Picture(data, caption, caption)
