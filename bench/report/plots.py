"""Plots of a run, drawn by matplotlib without a screen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from ..cells import Table, grounds, pooled_curve, where
from ..whole_file import whole_file

INK = "#26241f"
PALETTE = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", "#5b5b5b", "#8c6d1f", "#7a3b8f")
"""Told apart by colour-blind readers (after Okabe & Ito's set); line styles repeat the message."""

STYLES = ("-", "--", "-.", ":")


def write_curves(table: Table, path: Path) -> None:
    """Write precision over recall, one panel a ground, all methods, as a PNG and beside it an SVG for print."""
    from matplotlib.figure import Figure  # slow to import

    shown = grounds(table)
    figure = Figure(figsize=(4.1 * len(shown) + 1.6, 4.4), dpi=130, layout="constrained")
    panels = figure.subplots(1, len(shown), sharey=True, squeeze=False)[0]
    for panel, ground in zip(panels, shown, strict=True):
        for number, (method, records) in enumerate(sorted(where(table, ground=ground).items())):
            counts = pooled_curve(records)
            if len(counts.threshold) == 0:
                continue
            panel.plot(
                np.append(0, counts.recall),
                np.append(counts.precision[0], counts.precision),
                color=PALETTE[number % len(PALETTE)],
                linestyle=STYLES[(number + number // len(PALETTE)) % len(STYLES)],
                linewidth=1.5,
                label=method,
            )
        panel.set(title=ground, xlim=(0, 1), ylim=(0, 1.02), xlabel="recall: share of visible shadows found")
        panel.grid(color="#dddddd", linewidth=0.6)
        panel.spines[["top", "right"]].set_visible(False)
    panels[0].set_ylabel("precision: share of finds that are shadows")
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside right center", frameon=False)
    save(figure, path)


def save(figure: Any, path: Path) -> None:
    """Write a figure as PNG and as SVG of the same name; the same figure gives the same files."""
    from matplotlib import rc_context

    with whole_file(path) as scratch:
        figure.savefig(scratch, format="png")
    with rc_context({"svg.hashsalt": path.stem}), whole_file(path.with_suffix(".svg")) as scratch:
        figure.savefig(scratch, format="svg", metadata={"Date": None})
