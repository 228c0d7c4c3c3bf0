"""Share of shadows found over how plain they are to an observer."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..error_types import Level
from ..whole_file import whole_file
from .plots import INK, PALETTE

LEAST_SHADOWS = 5
"""Of fewer a share says nothing."""


def write_visibility(seen: Mapping[str, Sequence[Level]], method: str, path: Path) -> None:
    """Write a PNG, a panel a ground: the share found at each step of visibility, with its 95 % interval over scenes.

    Left of the line at 1 are the shadows that an observer would not see; they count neither as hits nor as misses.
    """
    from matplotlib.figure import Figure  # slow to import

    columns = math.ceil(math.sqrt(len(seen)))
    rows = -(-len(seen) // columns)
    figure = Figure(figsize=(3.0 * columns + 0.7, 2.3 * rows + 0.9), dpi=130, layout="constrained")
    panels = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    for panel in panels.flat[len(seen) :]:
        panel.set_visible(False)
    for number, (panel, (ground, levels)) in enumerate(zip(panels.flat, seen.items(), strict=False)):
        _draw(panel, levels, colour=PALETTE[number % len(PALETTE)])
        panel.set_title(ground, fontsize=9, color=INK, loc="left")
    figure.suptitle(f"{method}: share of shadows found at the chosen thresholds", color=INK, fontsize=11)
    figure.supxlabel("contrast over the least that an observer sees", color=INK, fontsize=10)
    with whole_file(path) as scratch:
        figure.savefig(scratch, format="png")


def _draw(panel: Any, levels: Sequence[Level], *, colour: str) -> None:
    names = [f"{level.low:g}–{level.high:g}" if math.isfinite(level.high) else f">{level.low:g}" for level in levels]
    panel.set_xticks(range(len(levels)), labels=names)
    panel.set(xlim=(-0.5, len(levels) - 0.5), ylim=(-0.04, 1.04), yticks=(0, 0.5, 1))
    panel.set_yticklabels(["0", "50 %", "100 %"])
    panel.tick_params(labelsize=8, colors=INK, labelbottom=True)
    panel.grid(axis="y", color="#dddddd", linewidth=0.6)
    panel.spines[["top", "right"]].set_visible(False)
    panel.axvline(0.5, color=INK, linewidth=0.8, linestyle=":")
    shown = [(place, level) for place, level in enumerate(levels) if level.shadows >= LEAST_SHADOWS]
    for place, level in shown:
        if not math.isnan(level.recall_low):
            panel.plot([place] * 2, [level.recall_low, level.recall_high], color=colour, linewidth=4, alpha=0.3)
    places, shares = [place for place, _ in shown], [level.recall for _, level in shown]
    panel.plot(places, shares, "o-", color=colour, linewidth=1.2, markersize=4.5)
