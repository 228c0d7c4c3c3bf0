"""Probability of detection over grain size, a panel a ground, a line an aperture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..limit import OFTEN, Limit, bins, curve_band
from .plots import INK, PALETTE, save

TICKS_UM = (1, 2, 5, 10, 20, 30, 50, 70, 100, 200, 500, 1000)


def write_limits(shown: Sequence[Limit], method: str, path: Path) -> None:
    """Write PNG and SVG with a panel for each ground and aperture: curve with its 95 % band, grains in groups as dots.

    Rows are grounds, columns are apertures, and all panels share both axes.
    """
    from matplotlib.figure import Figure  # slow to import

    grounds = list(dict.fromkeys(limit.ground for limit in shown))
    apertures = sorted({limit.f_number for limit in shown})
    size = (2.6 * len(apertures) + 0.9, 2.1 * len(grounds) + 0.9)
    figure = Figure(figsize=size, dpi=130, layout="constrained")
    panels = figure.subplots(len(grounds), len(apertures), sharex=True, sharey=True, squeeze=False)
    span = _span(shown)
    for panel in panels.flat:
        _frame(panel, span)
    for limit in shown:
        row, column = grounds.index(limit.ground), apertures.index(limit.f_number)
        _draw(panels[row][column], limit, span, colour=PALETTE[row % len(PALETTE)])
    figure.suptitle(f"{method}: share of grains found at the chosen threshold", color=INK, fontsize=11)
    figure.supxlabel("grain diameter in µm", color=INK, fontsize=10)
    save(figure, path)


def _span(shown: Sequence[Limit]) -> tuple[float, float]:
    sizes = np.concatenate([limit.size_um for limit in shown]) if shown else np.zeros(0)
    return (float(sizes.min()), float(sizes.max())) if len(sizes) else (10.0, 100.0)


def _frame(panel: Any, span: tuple[float, float]) -> None:
    panel.set(xscale="log", xlim=(span[0] * 0.93, span[1] * 1.07), ylim=(-0.04, 1.04), yticks=(0, 0.5, OFTEN))
    ticks = [tick for tick in TICKS_UM if span[0] * 0.93 <= tick <= span[1] * 1.07]
    panel.set_xticks(ticks, labels=[str(tick) for tick in ticks])
    panel.minorticks_off()
    panel.set_yticklabels(["0", "50 %", f"{100 * OFTEN:.0f} %"])
    panel.tick_params(labelsize=8, colors=INK)
    panel.grid(color="#dddddd", linewidth=0.6)
    panel.spines[["top", "right"]].set_visible(False)


def _draw(panel: Any, limit: Limit, span: tuple[float, float], *, colour: str) -> None:
    panel.set_title(f"{limit.ground}, f/{limit.f_number:g}", fontsize=9, color=INK)
    if limit.fit is not None:
        size = np.geomspace(*span, 200)
        middle, low, high = curve_band(limit, size)
        panel.fill_between(size, low, high, color=colour, alpha=0.22, linewidth=0)
        panel.plot(size, middle, color=colour, linewidth=1.6)
    groups = bins(limit.size_um, limit.found)
    panel.plot(
        [group.size_um for group in groups],
        [group.found / group.grains for group in groups],
        "o",
        color="white",
        markeredgecolor=colour,
        markersize=4.5,
        clip_on=False,
        zorder=3,
    )
    _mark_limit(panel, limit)


def _mark_limit(panel: Any, limit: Limit) -> None:
    """Draw a90 as a line down from the curve and a90/95 as a dotted one, unless beyond the cell's largest grain."""
    largest = limit.size_um.max(initial=0.0)
    sure = limit.a90_95 <= largest
    if sure:
        panel.plot([limit.a90_95] * 2, [-0.04, OFTEN], color=INK, linewidth=1, linestyle=":")
    if limit.a90.estimate <= largest:
        panel.plot([limit.a90.estimate] * 2, [-0.04, OFTEN], color=INK, linewidth=1)
        low, high = panel.get_xlim()
        right = limit.a90.estimate**2 < low * high  # there the curve is high above the words
        panel.annotate(
            f"a90 {limit.a90.estimate:.0f} µm", (limit.a90_95 if right and sure else limit.a90.estimate, 0.06),
            xytext=(3 if right else -3, 0), textcoords="offset points", ha="left" if right else "right",
            fontsize=7.5, color=INK,
        )  # fmt: skip
    if limit.fit is None:
        panel.text(0.5, 0.62, limit.status.value, transform=panel.transAxes, ha="center", fontsize=8, color=INK)
