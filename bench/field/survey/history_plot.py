"""A history as pictures: how many grains of each size over time, and how long each mark lay where it lay."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from ...report.plots import INK, save
from .history import History
from .marks import Mark
from .table import CLASSES

SIZE_COLOURS = ("#bcd0c7", "#86ae9d", "#4a8a81", "#1f4f56")
"""Of the four classes, fine to very coarse: one hue, light to dark, so that greys keep the order."""

CLEAN, KEPT = "#5b5b5b", "#b5432a"

MOST_MARKS = 60
"""Marks drawn, the largest: more lines can't be read."""


def draw_history(path: Path, done: History) -> None:
    """Write the counts over time as PNG and SVG."""
    from matplotlib.figure import Figure  # slow to import

    figure = Figure(figsize=(8.6, 4.6), dpi=120, layout="constrained", facecolor="white")
    panel = figure.subplots()
    dates = _dates(done)
    counts = np.array([entry.by_size for entry in done.entries]).T
    bottom = np.zeros(len(dates))
    for (low, high, name), colour, row in zip(_classes(done), SIZE_COLOURS, counts, strict=True):
        top = bottom + row
        label = f"{name}, {low:g}–{high:g} µm" if np.isfinite(high) else f"{name}, from {low:g} µm"
        panel.fill_between(dates, bottom, top, color=colour, linewidth=0, label=label)
        bottom = top
    panel.plot(dates, bottom, color=INK, linewidth=1.2, marker="o", markersize=5)
    _cleans(panel, done, dates)
    growth = done.growth
    title = "grains on the filter"
    if growth.days > 0:
        title += f": {growth.per_day:.2f} new a day ({growth.low:.2f}–{growth.high:.2f}) between cleans"
    panel.set_title(title, loc="left", fontsize=11, color=INK)
    panel.set_ylabel(f"grains of {done.limit_um:.1f} µm and more" if done.limit_um else "grains")
    panel.set_ylim(0, 1.14 * max(1.0, float(bottom.max())))
    panel.set_axisbelow(True)
    panel.grid(color="#dddddd", linewidth=0.6, axis="y")
    _finish(panel)
    handles, labels = panel.get_legend_handles_labels()
    figure.legend(handles[::-1], labels[::-1], loc="outside right center", frameon=False, fontsize=9)
    save(figure, path)


def draw_marks(path: Path, done: History) -> None:
    """Write a line a mark from the first to the last survey that shows it, as PNG and SVG."""
    from matplotlib.figure import Figure  # slow to import

    chosen = sorted(sorted(done.counted, key=lambda mark: -mark.diameter_um)[:MOST_MARKS], key=_order)
    figure = Figure(figsize=(8.6, 1.9 + 0.14 * max(12, len(chosen))), dpi=120, layout="constrained", facecolor="white")
    panel = figure.subplots()
    dates, kept = _dates(done), {mark.number for mark in done.never_left}
    for row, mark in enumerate(chosen):
        colour = KEPT if mark.number in kept else _size_colour(mark)
        span = [dates[mark.first], dates[mark.last]]
        panel.plot(span, [row, row], color=colour, linewidth=3.2, solid_capstyle="round", zorder=2)
        seen = [dates[index] for index in sorted(mark.seen)]
        panel.plot(seen, [row] * len(seen), "o", color=colour, markersize=5, zorder=2)
        panel.plot(seen, [row] * len(seen), "o", color="white", markersize=1.8, zorder=3)
        panel.text(-0.008, row, f"{mark.number}", transform=panel.get_yaxis_transform(), ha="right", va="center",
                   fontsize=6.5, color=INK)  # fmt: skip
    _cleans(panel, done, dates)
    shown = f"the {len(chosen)} largest marks" if len(chosen) < len(done.counted) else f"all {len(chosen)} marks"
    panel.set_title(f"{shown}, from the first to the last survey that shows each", loc="left", fontsize=11, color=INK)
    panel.set_ylim(len(chosen) + 0.2, -3.4)
    panel.set_yticks([])
    panel.set_ylabel("mark", labelpad=22)
    _finish(panel)
    _mark_legend(figure, panel, kept=bool(kept))
    save(figure, path)


def _mark_legend(figure: Any, panel: Any, *, kept: bool) -> None:
    entries = [(name, colour) for (_, name), colour in zip(CLASSES, SIZE_COLOURS, strict=True)]
    if kept:
        entries.append(("never left", KEPT))
    handles = [panel.plot([], [], color=colour, linewidth=3.2, label=name)[0] for name, colour in entries]
    figure.legend(handles=handles, loc="outside lower center", ncols=len(handles), frameon=False, fontsize=9)


def _order(mark: Mark) -> tuple[int, int, float]:
    return mark.first, -mark.last, -mark.diameter_um


def _size_colour(mark: Mark) -> str:
    return next(c for (bound, _), c in zip(CLASSES, SIZE_COLOURS, strict=True) if mark.diameter_um < bound)


def _classes(done: History) -> list[tuple[float, float, str]]:
    bounds = [done.limit_um, *(bound for bound, _ in CLASSES)]
    pairs = zip(bounds[:-1], bounds[1:], CLASSES, strict=True)
    return [(round(max(low, done.limit_um), 1), high, name) for low, high, (_, name) in pairs]


def _dates(done: History) -> list[float]:
    """Return the surveys' dates in days, as the plots' axis counts them."""
    from matplotlib.dates import date2num

    return [float(date2num(entry.record.taken)) for entry in done.entries]


def _cleans(panel: Any, done: History, dates: list[float]) -> None:
    for index in done.cleans:
        middle = (dates[index - 1] + dates[index]) / 2
        panel.axvline(middle, color=CLEAN, linewidth=1.1, linestyle="--", zorder=4)
        name = done.entries[index].clean
        panel.text(middle, 1.0, f" {name} ", transform=panel.get_xaxis_transform(), ha="right", va="top", fontsize=8.5,
                   color=CLEAN, rotation=90)  # fmt: skip


def _finish(panel: Any) -> None:
    from matplotlib.dates import AutoDateLocator, DateFormatter

    panel.xaxis.set_major_locator(AutoDateLocator(minticks=2, maxticks=6))
    panel.xaxis.set_major_formatter(DateFormatter("%Y-%m-%d"))
    panel.spines[["top", "right"]].set_visible(False)
    panel.tick_params(labelsize=9, colors=INK)
