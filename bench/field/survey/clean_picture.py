"""A clean as a picture: what went, stayed, moved and came, where one sees it facing the mount."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from .compare import Change, Comparison, Fate
from .sensor_picture import draw_frame, radius_pt2

COLOURS = {Fate.WENT: "#8fb3a3", Fate.STAYED: "#b5432a", Fate.MOVED: "#d99a2b", Fate.NEW: "#3f5f8a"}


def draw_clean(path: Path, done: Comparison, *, size_mm: tuple[float, float]) -> None:
    """Write a PNG; an existing file is never replaced."""
    from matplotlib.figure import Figure  # slow to import

    figure = Figure(figsize=(8.2, 5.9), dpi=100, layout="constrained", facecolor="#f6f4ef")
    panel = figure.subplots()
    draw_frame(panel, size_mm, "   ".join(f"{len(done.of(fate))} {fate}" for fate in Fate))
    for change in done.changes:
        _mark(panel, change)
    handles = [_handle(panel, fate) for fate in Fate]
    panel.legend(handles=handles, ncols=4, loc="upper center", bbox_to_anchor=(0.5, -0.1), frameon=False, fontsize=9)
    with path.open("xb") as file:
        figure.savefig(file, format="png")


def _mark(panel: Any, change: Change) -> None:
    place, colour = change.line.place, COLOURS[change.fate]
    hollow = change.fate == Fate.WENT
    panel.scatter(
        [place.right_mm], [place.up_mm], s=radius_pt2(change.line), zorder=2 if hollow else 3,
        facecolors="none" if hollow else colour, edgecolors=colour, linewidths=1.3,
    )  # fmt: skip
    if change.fate == Fate.MOVED and change.before:
        start = change.before.place
        panel.annotate(
            "", (place.right_mm, place.up_mm), (start.right_mm, start.up_mm),
            arrowprops={"arrowstyle": "->", "color": colour, "linewidth": 1.2},
        )  # fmt: skip


def _handle(panel: Any, fate: Fate) -> Any:
    hollow = fate == Fate.WENT
    return panel.scatter(
        [], [], s=50, facecolors="none" if hollow else COLOURS[fate], edgecolors=COLOURS[fate], label=str(fate)
    )
