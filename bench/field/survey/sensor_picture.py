"""The sensor as a picture: each grain where one sees it facing the mount, by size and by the aperture it shows from."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ...report.plots import INK
from .place import OnSensor
from .table import CLASSES, Line
from .visible import F_NUMBERS

COLOURS = ("#7f0000", "#c4301c", "#e8743b", "#e0a43a", "#7fa6a3", "#4f7a9a")
"""From plain at wide apertures to seen at the smallest only; two hues, light to dark, so that greys keep the order."""

UNSEEN = "#9a9a94"

RADII_PT2 = (22.0, 60.0, 130.0, 230.0)
"""Areas of the discs of the four classes of size; to scale they could not be seen."""

NUMBERED = 25
"""The largest grains carry their number."""

LISTED = 14


def draw_sensor(
    path: Path, table: Sequence[Line], *, odd: Sequence[OnSensor], size_mm: tuple[float, float], title: str
) -> None:
    """Write a PNG with a disc a grain and a cross on what is none; an existing file is never replaced."""
    from matplotlib.figure import Figure  # slow to import

    figure = Figure(figsize=(10.4, 5.6), dpi=100, layout="constrained", facecolor="#f6f4ef")
    panel, words = figure.subplots(1, 2, width_ratios=(3.1, 1))
    draw_frame(panel, size_mm, title)
    for line in table:
        _grain(panel, line)
    for place in odd:
        panel.plot([place.right_mm], [place.up_mm], "x", color=INK, markersize=9, markeredgewidth=1.6, zorder=3)
    for line in table[:NUMBERED]:
        panel.annotate(
            str(line.number), (line.place.right_mm, line.place.up_mm), (6, 4), textcoords="offset points",
            fontsize=8, color=INK, zorder=5,
        )  # fmt: skip
    _legend(panel, crosses=len(odd) > 0)
    _list(words, table)
    with path.open("xb") as file:
        figure.savefig(file, format="png")


def draw_frame(panel: Any, size_mm: tuple[float, float], title: str) -> None:
    """Draw the sensor's outline, its thirds, and how it is seen."""
    from matplotlib.patches import Rectangle

    wide, high = size_mm
    panel.set_facecolor("none")
    panel.add_patch(Rectangle((-wide / 2, -high / 2), wide, high, facecolor="#e9efe9", edgecolor=INK, linewidth=1.2))
    panel.set(xlim=(-0.54 * wide, 0.54 * wide), ylim=(-0.6 * high, 0.56 * high), aspect="equal")
    panel.set_title(title, loc="left", fontsize=11, color=INK)
    panel.text(
        0, 0.51 * high, "facing the mount, camera upright: here is the bottom of the picture", ha="center", fontsize=8.5
    )
    panel.text(0, -0.515 * high, "here is the top of the picture", ha="center", va="top", fontsize=8.5)
    for third in (-1 / 6, 1 / 6):
        panel.plot([third * wide] * 2, [-high / 2, high / 2], color="#c9cfc6", linewidth=0.6, zorder=1.5)
        panel.plot([-wide / 2, wide / 2], [third * high] * 2, color="#c9cfc6", linewidth=0.6, zorder=1.5)
    panel.set_xlabel(f"mm from the centre of a sensor of {wide:.1f} × {high:.1f} mm", fontsize=8.5)
    panel.tick_params(labelsize=8, colors=INK)
    panel.spines[:].set_visible(False)


def _grain(panel: Any, line: Line) -> None:
    panel.scatter(
        [line.place.right_mm], [line.place.up_mm], s=radius_pt2(line), color=colour(line.shows_from),
        edgecolors="white", linewidths=0.5, zorder=2.5,
    )  # fmt: skip


def radius_pt2(line: Line) -> float:
    """Return the area of a grain's disc, in points squared."""
    return RADII_PT2[[name for _, name in CLASSES].index(line.size)]


def colour(shows_from: float | None) -> str:
    """Return the colour of a grain that shows from this aperture on."""
    return UNSEEN if shows_from is None else COLOURS[F_NUMBERS.index(shows_from)]


def _legend(panel: Any, *, crosses: bool) -> None:
    shown = [panel.scatter([], [], s=40, color=c, label=f"f/{n:g}") for n, c in zip(F_NUMBERS, COLOURS, strict=True)]
    shown.append(panel.scatter([], [], s=40, color=UNSEEN, label="at none"))
    if crosses:
        shown += panel.plot([], [], "x", color=INK, markersize=7, linestyle="none", label="no round grain")
    panel.legend(
        handles=shown, title="shows from", ncols=len(shown), loc="upper center", bbox_to_anchor=(0.5, -0.1),
        frameon=False, fontsize=8.5, title_fontsize=8.5, handletextpad=0.1, columnspacing=1.2,
    )  # fmt: skip


def _list(words: Any, table: Sequence[Line]) -> None:
    words.axis("off")
    rows = [f"{'':>3} {'µm':>4}  {'from':<6}where"]
    for line in table[:LISTED]:
        first = "–" if line.shows_from is None else f"f/{line.shows_from:g}"
        rows.append(f"{line.number:>3} {line.diameter_um:>4.0f}  {first:<6}{line.where}")
    if len(table) > LISTED:
        rows.append(f"    and {len(table) - LISTED} smaller ones")
    words.text(0, 0.97, "\n".join(rows), family="monospace", fontsize=8.5, va="top", color=INK, linespacing=1.5)
