"""Cost of each pipeline over the price of a spot that is left, a panel a ground."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ..report.plots import INK, PALETTE
from .pipelines import AS_IT_IS, BY_HAND, Price

MOST = 6
"""Pipelines drawn on each ground: those that are cheapest somewhere, then the next cheapest at equal prices."""


def write_repair_plot(path: Path, paid: Sequence[Price]) -> None:
    """Write the plot as PNG."""
    from matplotlib.figure import Figure  # slow to import

    grounds = list(dict.fromkeys(price.ground for price in paid))
    columns = min(2, len(grounds))
    rows = -(-len(grounds) // columns)
    figure = Figure(figsize=(4.6 * columns, 3.6 * rows + 0.5), dpi=120, layout="constrained")
    panels = figure.subplots(rows, columns, squeeze=False, sharex=True).ravel()
    colours: dict[str, str] = {AS_IT_IS: "#999999", BY_HAND: INK}
    for panel, ground in zip(panels, grounds, strict=False):
        here = [price for price in paid if price.ground == ground]
        for name in _drawn(here):
            colours.setdefault(name, PALETTE[(len(colours) - 2) % len(PALETTE)])
            line = [price for price in here if price.pipeline == name]
            style = "--" if name in (AS_IT_IS, BY_HAND) else "-"
            panel.plot([p.ratio for p in line], [p.cost for p in line], style, color=colours[name], label=name)
        panel.set(title=ground, xscale="log", yscale="log")
        panel.grid(color="#dddddd", linewidth=0.6)
        panel.spines[["top", "right"]].set_visible(False)
    for panel in panels[len(grounds) :]:
        panel.set_axis_off()
    figure.supxlabel("price of a visible spot left, in clean places harmed")
    figure.supylabel("cost a frame, in clean places harmed")
    handles = {
        label: handle for panel in panels for handle, label in zip(*panel.get_legend_handles_labels(), strict=True)
    }
    figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=3, frameon=False)
    figure.savefig(path)


def _drawn(here: Sequence[Price]) -> list[str]:
    best = {min((p for p in here if p.ratio == r), key=lambda p: p.cost).pipeline for r in {p.ratio for p in here}}
    best |= {AS_IT_IS} | ({BY_HAND} if any(p.pipeline == BY_HAND for p in here) else set())
    middle = sorted({p.ratio for p in here})[len({p.ratio for p in here}) // 3]
    ranked = sorted((p for p in here if p.ratio == middle), key=lambda p: p.cost)
    others = [p.pipeline for p in ranked if p.pipeline not in best]
    return [*sorted(best), *others[: max(0, MOST - len(best))]]
