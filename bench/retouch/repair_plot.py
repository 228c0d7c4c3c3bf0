"""Cost of each pipeline over the price of a spot that is left, a panel a ground, as a share of mending nothing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ..report.plots import INK, PALETTE
from .pipelines import AS_IT_IS, BY_HAND, Price

HIGHEST = 1.5
"""Upper end of the cost axis: what costs more is no choice."""

THINNEST, THICKER = 1.4, 1.3
"""Width of the line drawn last, in points, and by how much each below it is wider: on ground where next to nothing may
be mended they lie on each other, and each still shows."""

MOST = 6
"""Pipelines drawn on each ground: those that are cheapest somewhere, then the next cheapest at equal prices."""


def write_repair_plot(path: Path, paid: Sequence[Price]) -> None:
    """Write the plot as PNG."""
    from matplotlib.figure import Figure  # slow to import

    grounds = list(dict.fromkeys(price.ground for price in paid))
    columns = min(2, len(grounds))
    rows = -(-len(grounds) // columns)
    figure = Figure(figsize=(4.6 * columns, 3.2 * rows + 0.6), dpi=110, layout="constrained")
    panels = figure.subplots(rows, columns, squeeze=False, sharey=True).ravel()
    colours: dict[str, str] = {AS_IT_IS: "#999999", BY_HAND: INK}
    for panel, ground in zip(panels, grounds, strict=False):
        here = [price for price in paid if price.ground == ground]
        nothing = {price.ratio: price.cost for price in here if price.pipeline == AS_IT_IS}
        drawn = _drawn(here)
        for number, name in enumerate(drawn):
            colours.setdefault(name, PALETTE[(len(colours) - 2) % len(PALETTE)])
            line = [price for price in here if price.pipeline == name and nothing[price.ratio] > 0]
            style = "--" if name in (AS_IT_IS, BY_HAND) else "-"
            shares = [price.cost / nothing[price.ratio] for price in line]
            width = THINNEST + (len(drawn) - 1 - number) * THICKER
            panel.plot([price.ratio for price in line], shares, style, color=colours[name], label=name, linewidth=width)
        panel.set(title=ground, xscale="log", ylim=(0, HIGHEST), xlabel="price of a spot left, in clean places harmed")
        panel.grid(color="#dddddd", linewidth=0.6)
        panel.spines[["top", "right"]].set_visible(False)
    for panel in panels[len(grounds) :]:
        panel.set_axis_off()
    for panel in panels[::columns]:
        panel.set_ylabel("cost over that of mending nothing")
    pairs = [pair for panel in panels for pair in zip(*panel.get_legend_handles_labels(), strict=True)]
    handles = {label: handle for handle, label in pairs}
    figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=3, frameon=False)
    figure.savefig(path)


def _drawn(here: Sequence[Price]) -> list[str]:
    best = {min((p for p in here if p.ratio == r), key=lambda p: p.cost).pipeline for r in {p.ratio for p in here}}
    best |= {AS_IT_IS} | ({BY_HAND} if any(p.pipeline == BY_HAND for p in here) else set())
    middle = sorted({p.ratio for p in here})[len({p.ratio for p in here}) // 3]
    ranked = sorted((p for p in here if p.ratio == middle), key=lambda p: p.cost)
    others = [p.pipeline for p in ranked if p.pipeline not in best]
    return [*sorted(best), *others[: max(0, MOST - len(best))]]
