"""Plots of a run, drawn by matplotlib without a screen."""

from __future__ import annotations

import math
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
    shown = grounds(table)
    figure, panels = grid(len(shown), width=3.1, height=2.9)
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
        panel.set(xlim=(0, 1), ylim=(0, 1.02))
        panel.set_title(ground, fontsize=10, color=INK, loc="left")
        panel.tick_params(labelsize=8, colors=INK, labelbottom=True)
        panel.grid(color="#dddddd", linewidth=0.6)
        panel.spines[["top", "right"]].set_visible(False)
    figure.supxlabel("recall: share of visible shadows found", color=INK, fontsize=10)
    figure.supylabel("precision: share of finds that are shadows", color=INK, fontsize=10)
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside right center", frameon=False, fontsize=9)
    save(figure, path)


def shape(count: int) -> tuple[int, int]:
    """Return rows and columns for so many panels, as many across as down or more, with the fewest places left empty.

    >>> shape(1), shape(3), shape(7), shape(8)
    ((1, 1), (1, 3), (2, 4), (2, 4))
    """
    least = math.ceil(math.sqrt(count))
    columns = min(range(least, least + 2), key=lambda across: (-count % across, across))
    return -(-count // columns), columns


def grid(count: int, *, width: float, height: float) -> tuple[Any, list[Any]]:
    """Return a figure and so many of its panels, of this size in inches each, on common axes."""
    from matplotlib.figure import Figure  # slow to import

    rows, columns = shape(count)
    figure = Figure(figsize=(width * columns + 1.8, height * rows + 0.7), dpi=130, layout="constrained")
    panels = list(figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False).flat)
    for panel in panels[count:]:
        panel.set_visible(False)
    return figure, panels[:count]


def save(figure: Any, path: Path) -> None:
    """Write a figure as PNG and as SVG of the same name; the same figure gives the same files."""
    from matplotlib import rc_context

    with whole_file(path) as scratch:
        figure.savefig(scratch, format="png")
    with rc_context({"svg.hashsalt": path.stem}), whole_file(path.with_suffix(".svg")) as scratch:
        figure.savefig(scratch, format="svg", metadata={"Date": None})
