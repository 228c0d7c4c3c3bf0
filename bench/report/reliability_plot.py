"""The reliability diagram: share of dust over probability, all grounds and each."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..cells import Table
from ..reliability import Reliability
from ..stated import stated
from .plots import INK, PALETTE, save

COLUMNS = 4


@dataclass(frozen=True, slots=True)
class Stated:
    """A method whose scores are probabilities, for the page: its diagram, a PNG as base64 text, and its numbers."""

    method: str
    picture: str
    grounds: Mapping[str, Reliability]


def stated_for_page(table: Table, notes: Mapping[str, Any], folder: Path) -> list[Stated]:
    """Return what a run's calibrated methods state, their diagrams also left in the folder as PNG and SVG.

    Parameters
    ----------
    notes
        The store's `card()`.
    """
    found = []
    for method, grounds in stated(table, notes.get("specs", {})).items():
        path = folder / f"reliability-{method}.png"
        frames = len(table[method])
        save(reliability_figure(grounds, title=f"{method} on {frames} frames that it was not fitted on"), path)
        found.append(Stated(method, base64.b64encode(path.read_bytes()).decode(), grounds))
    return found


def write_reliability(shown: Mapping[str, Reliability], path: Path, *, title: str) -> None:
    """Write a PNG, a panel each; a file that exists is never replaced."""
    with path.open("xb") as file:
        reliability_figure(shown, title=title).savefig(file, format="png")


def reliability_figure(shown: Mapping[str, Reliability], *, title: str) -> Any:
    """Return the figure, a panel each; areas of the marks tell how many candidates a bin holds."""
    from matplotlib.figure import Figure  # slow to import

    columns = min(COLUMNS, len(shown))
    rows = math.ceil(len(shown) / columns)
    figure = Figure(figsize=(3.3 * columns + 0.6, 3.5 * rows + 0.6), dpi=130, layout="constrained")
    panels = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    for panel, (name, one) in zip(panels.flat, shown.items(), strict=False):
        _draw(panel, name, one)
    for panel in panels.flat[len(shown) :]:
        panel.remove()
    for panel in panels.flat[max(0, len(shown) - columns) : len(shown)]:
        panel.tick_params(labelbottom=True)  # nothing stands below it
    figure.supylabel("share that is dust, 95 % interval", fontsize="medium")
    figure.supxlabel("stated probability", fontsize="medium")
    figure.suptitle(title, fontsize="medium")
    return figure


def _draw(panel: Any, name: str, one: Reliability) -> None:
    panel.plot([0, 1], [0, 1], color="#b9b4a6", linewidth=1, zorder=1)
    predicted = np.array([part.predicted for part in one.bins])
    share = np.array([part.share for part in one.bins])
    reach = np.abs(np.array([(part.low, part.high) for part in one.bins]).T - share)
    panel.errorbar(predicted, share, yerr=reach, fmt="none", ecolor=INK, elinewidth=1, capsize=2, zorder=2)
    counts = np.array([part.count for part in one.bins])
    panel.scatter(predicted, share, s=14 + 110 * np.sqrt(counts / counts.max()), color=PALETTE[0], alpha=0.75, zorder=3)
    panel.set(title=name, xlim=(-0.03, 1.03), ylim=(-0.03, 1.03), aspect="equal")
    text = (
        f"{one.count} candidates\nerror {one.error:.3f}, by chance < {one.error_of_perfect:.3f}\nBrier {one.brier:.3f}"
    )
    panel.text(0.97, 0.03, text, ha="right", fontsize="small", color=INK, transform=panel.transAxes)
    panel.grid(color="#e4e1d8", linewidth=0.6)
    panel.spines[["top", "right"]].set_visible(False)
