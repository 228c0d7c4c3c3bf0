"""Mean ranks, a panel a ground: bars that overlap are methods that can't be told apart."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..critical import ERROR, MeanRanks, p_value
from .plots import INK, PALETTE, save, shape

QUIET = "#8d8a83"


def write_ranks(shown: Mapping[str, MeanRanks], path: Path) -> None:
    """Write PNG and SVG: a row a method, the best above, its mean rank as a dot in a bar one critical difference long.

    Two bars overlap where the mean ranks lie less than that apart. Methods whose bar reaches the best one's are
    drawn in colour.
    """
    from matplotlib.figure import Figure  # slow to import

    most = max(len(ranks.mean_rank) for ranks in shown.values())
    rows, columns = shape(len(shown))
    figure = Figure(figsize=(4.2 * columns, (0.27 * most + 1.0) * rows + 0.5), dpi=130, layout="constrained")
    panels = figure.subplots(rows, columns, squeeze=False, sharex=True)
    for panel in panels.flat[len(shown) :]:
        panel.set_visible(False)
    for panel, (ground, ranks) in zip(panels.flat, shown.items(), strict=False):
        _draw(panel, ground, ranks)
    sure = f"overlapping bars: not told apart (all pairs together {100 * (1 - ERROR):.0f} % sure)"
    figure.supxlabel(f"mean rank over scenes by average precision, 1 is best; {sure}", color=INK, fontsize=9)
    save(figure, path)


def _draw(panel: Any, ground: str, ranks: MeanRanks) -> None:
    names, half = list(ranks.mean_rank), ranks.difference / 2
    best = ranks.mean_rank[names[0]]
    panel.axvspan(best - half, best + half, color=PALETTE[0], alpha=0.08, linewidth=0)
    for row, value in enumerate(ranks.mean_rank.values()):
        colour = PALETTE[0] if value - best < ranks.difference else QUIET
        panel.plot(
            [value - half, value + half], [row, row], color=colour, linewidth=5, alpha=0.35, solid_capstyle="butt"
        )
        panel.plot([value], [row], "o", color=colour, markersize=5)
    panel.set_yticks(range(len(names)), labels=names, fontsize=8)
    panel.set_ylim(len(names) - 0.4, -0.6)
    panel.set_title(
        f"{ground}: {ranks.blocks} scenes, all equal: {p_value(ranks.p_value)}", fontsize=9, color=INK, loc="left"
    )
    panel.tick_params(labelsize=8, colors=INK, left=False, labelbottom=True)
    panel.grid(axis="x", color="#dddddd", linewidth=0.6)
    panel.spines[["top", "right", "left"]].set_visible(False)
