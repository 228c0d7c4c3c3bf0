"""Recall against the number of photographs of a roll, beside what the square-root law promises."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..interval import Interval
from ..roll_reading import Reading, square_root_law
from ..roll_score import RollScore
from .plots import INK, PALETTE, save

MARKS = ("o", "D", "^", "v", "P", "X")

ASIDE = 0.035
"""Points of different curves at one count stand so far apart, in parts of a doubling of it."""

COLUMNS = 3


def write_roll_plot(path: Path, scores: Sequence[RollScore], shown: Sequence[Reading]) -> None:
    """Write one panel a kind of roll as PNG and SVG: found and ideal with their intervals, and the law d′·√M."""
    from matplotlib.figure import Figure  # slow to import

    kinds = list(dict.fromkeys(one.kind for one in shown))
    columns = min(COLUMNS, len(kinds))
    rows = math.ceil(len(kinds) / columns)
    figure = Figure(figsize=(3.5 * columns + 0.6, 3.4 * rows + 0.8), dpi=130, layout="constrained")
    panels = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    for panel, kind in zip(panels.flat, kinds, strict=False):
        _draw(panel, [one for one in scores if one.kind == kind], [one for one in shown if one.kind == kind])
        panel.set_title(kind, fontsize="medium")
        panel.set_xlabel("photographs")
    for panel in panels.flat[len(kinds) :]:
        panel.remove()
    for panel in panels[:, 0]:
        panel.set_ylabel("share of all grains found")
    figure.suptitle("At one false alarm a roll; bars are 95 % intervals over rolls", fontsize="medium")
    handles, labels = panels.flat[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=min(len(labels), 1 + columns), frameon=False)
    save(figure, path)


def _draw(panel: Any, scores: Sequence[RollScore], shown: Sequence[Reading]) -> None:
    methods = list(dict.fromkeys(one.detector for one in shown))
    counts = sorted({one.count for one in shown})
    law = square_root_law([one for one in scores if one.detector == methods[0]])
    grid = np.geomspace(counts[0], counts[-1], 60).tolist()
    panel.plot(
        grid,
        [law(count) for count in grid],
        color="#8a8578",
        linewidth=1.3,
        linestyle=":",
        label="law: ideal’s mean d′·√M",
    )
    best = [one.ideal for one in shown if one.detector == methods[0]]
    _curve(panel, counts, best, color=INK, linestyle="--", marker="s", label="ideal observer", aside=-1)
    for number, method in enumerate(methods):
        _curve(
            panel,
            counts,
            [one.recall for one in shown if one.detector == method],
            color=PALETTE[number % len(PALETTE)],
            linestyle="-",
            marker=MARKS[number % len(MARKS)],
            label=method,
            aside=number,
        )
    panel.set_xscale("log", base=2)
    panel.set_xticks(counts, [str(count) for count in counts])
    panel.set_ylim(-0.02, 1.02)
    panel.minorticks_off()
    panel.tick_params(labelbottom=True)
    panel.grid(color="#e4e1d8", linewidth=0.6)
    panel.spines[["top", "right"]].set_visible(False)


def _curve(panel: Any, counts: Sequence[int], shares: Sequence[Interval], *, aside: int, **look: Any) -> None:
    """Draw a line, and at each count the interval where there is one."""
    place = np.array(counts) * 2.0 ** (ASIDE * aside)
    middle = np.array([one.estimate for one in shares])
    reach = np.array([(one.estimate - one.low, one.high - one.estimate) for one in shares]).T
    # An interval that is corrected for bias may leave the estimate outside: then the bar ends there.
    reach = np.clip(np.nan_to_num(reach), 0, None)
    panel.errorbar(place, middle, yerr=reach, linewidth=1.6, markersize=4.5, elinewidth=1, capsize=2, **look)
