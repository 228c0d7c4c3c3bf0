"""Cost over the ratio of two costs, a panel a ground, a line a method."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

from ..cost_curve import RATIOS, FloatArray
from ..whole_file import whole_file
from .plots import INK, PALETTE, STYLES


def write_costs(shown: Mapping[str, Mapping[str, FloatArray]], at: float, path: Path) -> None:
    """Write a PNG; the dotted line stands at the ratio `at` that was asked for."""
    from matplotlib.figure import Figure  # slow to import

    columns = math.ceil(math.sqrt(len(shown)))
    rows = -(-len(shown) // columns)
    figure = Figure(figsize=(3.3 * columns + 1.6, 2.5 * rows + 0.7), dpi=130, layout="constrained")
    panels = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    for panel in panels.flat[len(shown) :]:
        panel.set_visible(False)
    for panel, (ground, methods) in zip(panels.flat, shown.items(), strict=False):
        for number, (method, costs) in enumerate(sorted(methods.items())):
            style = STYLES[(number + number // len(PALETTE)) % len(STYLES)]
            panel.plot(
                RATIOS, costs, linestyle=style, color=PALETTE[number % len(PALETTE)], linewidth=1.5, label=method
            )
        panel.axvline(at, color=INK, linewidth=0.8, linestyle=":")
        panel.set(xscale="log", xlim=(RATIOS[0], RATIOS[-1]), ylim=(0, 1.15))
        panel.set_xticks([1 / 32, 1 / 8, 1 / 2, 2, 8, 32], labels=["1/32", "1/8", "1/2", "2", "8", "32"])
        panel.minorticks_off()
        panel.tick_params(labelsize=8, colors=INK, labelbottom=True)
        panel.grid(color="#dddddd", linewidth=0.6)
        panel.spines[["top", "right"]].set_visible(False)
        panel.set_title(ground, fontsize=9, color=INK, loc="left")
    handles, labels = panels.flat[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside right center", frameon=False, fontsize=8)
    figure.supxlabel("cost of a needless repair over that of a miss", color=INK, fontsize=10)
    figure.supylabel("held-out cost over that of taking nothing", color=INK, fontsize=10)
    with whole_file(path) as scratch:
        figure.savefig(scratch, format="png")
