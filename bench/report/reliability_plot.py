"""The reliability diagram: share of dust over probability, all grounds and each."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ..reliability import Reliability
from .plots import INK, PALETTE


def write_reliability(shown: Mapping[str, Reliability], path: Path, *, title: str) -> None:
    """Write a PNG, a panel each; areas of the marks tell how many candidates a bin holds."""
    from matplotlib.figure import Figure  # slow to import

    figure = Figure(figsize=(3.3 * len(shown) + 0.6, 4.1), dpi=130, layout="constrained")
    panels = figure.subplots(1, len(shown), sharex=True, sharey=True, squeeze=False)[0]
    for panel, (name, one) in zip(panels, shown.items(), strict=True):
        _draw(panel, name, one)
    panels[0].set_ylabel("share that is dust, 95 % interval (Wilson)")
    figure.supxlabel("probability by the calibrated score", fontsize="medium")
    figure.suptitle(title, fontsize="medium")
    with path.open("xb") as file:
        figure.savefig(file, format="png")


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
