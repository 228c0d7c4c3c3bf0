"""Recall against the number of photographs of a roll, beside what the square-root law promises."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..roll_judge import IDEAL_D_PRIME, Reading, RollScore
from .plots import INK, PALETTE


def write_roll_plot(path: Path, scores: Sequence[RollScore], shown: Sequence[Reading], *, method: str) -> None:
    """Write one panel a kind of roll as a PNG: found, ideal, and the law d′·√M."""
    from matplotlib.figure import Figure  # slow to import

    kinds = list(dict.fromkeys(one.kind for one in shown))
    figure = Figure(figsize=(3.6 * len(kinds) + 1.8, 3.9), dpi=130, layout="constrained")
    panels = figure.subplots(1, len(kinds), sharey=True, squeeze=False)[0]
    for panel, kind in zip(panels, kinds, strict=True):
        here = [one for one in shown if one.kind == kind]
        counts = [one.count for one in here]
        law = square_root_law([score for score in scores if score.kind == kind])
        panel.plot(*law, color="#999999", linewidth=1.2, linestyle=":", label="law: average photograph’s d′·√M > 5.5")
        ideal = [one.ideal for one in here]
        panel.plot(
            counts, ideal, color=INK, linewidth=1.4, linestyle="--", marker="s", markersize=4, label="ideal observer"
        )
        recall = [one.recall for one in here]
        panel.plot(counts, recall, color=PALETTE[0], linewidth=2, marker="o", label=f"{method}, 1 false alarm a roll")
        panel.set_xscale("log", base=2)
        panel.set_xticks(counts, [str(count) for count in counts])
        panel.set(title=kind, ylim=(0, 1.02), xlabel="photographs")
        panel.minorticks_off()
        panel.grid(color="#dddddd", linewidth=0.6)
        panel.spines[["top", "right"]].set_visible(False)
    panels[0].set_ylabel("share of all grains")
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=3, frameon=False)
    figure.savefig(path)


def square_root_law(scores: Sequence[RollScore]) -> tuple[list[float], list[float]]:
    """Return numbers of photographs M and the share of grains with √M times the average d′ above the ideal's limit.

    The average is the root mean square over the longest rolls there are.
    """
    longest = max(score.count for score in scores)
    average = np.concatenate([score.first_detectability for score in scores if score.count == longest])
    counts = np.geomspace(1, longest, 60)
    if len(average) == 0:
        return counts.tolist(), [float("nan")] * len(counts)
    return counts.tolist(), [float(np.mean(average * np.sqrt(count) > IDEAL_D_PRIME)) for count in counts]
