"""What the page lets one explore, as plots for print: a panel a ground and aperture, all methods in each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from ..ceiling import NAME
from ..cost_curve import RATIOS
from .plots import INK, PALETTE, STYLES, save

Entry = Mapping[str, Any]

NOISY = (0.0, 0.1, 1.0, 10.0)
"""Ticks of false alarms a frame."""


def write_froc(cells: Sequence[Entry], path: Path) -> None:
    """Write recall against false alarms a frame as PNG and SVG, from the entries of `explore.explore`."""

    def draw(panel: Any, entry: Entry, style: Mapping[str, Any]) -> None:
        panel.plot(entry["false_alarms_per_frame"], entry["recall"], **style)

    figure = _panels(cells, draw, words=("false alarms a frame", "recall"))
    for panel in figure.axes:
        panel.set_xscale("symlog", linthresh=0.1)
        panel.set_xticks(NOISY, labels=[f"{tick:g}" for tick in NOISY])
        panel.set(xlim=(0, 30), ylim=(0, 1.02))
    save(figure, path)


def write_costs(cells: Sequence[Entry], path: Path, *, at: float | None = None) -> None:
    """Write cost over what a missed shadow is worth as PNG and SVG, from the entries of `explore.explore`.

    Parameters
    ----------
    at
        A ratio to mark.
    """

    def draw(panel: Any, entry: Entry, style: Mapping[str, Any]) -> None:
        panel.plot(RATIOS, entry["cost"], **style)

    figure = _panels(
        cells, draw, words=("needless repairs that a missed shadow is worth", "held-out cost, 1: leave all dust")
    )
    ticks = [ratio for ratio in RATIOS[::4] if ratio in (1 / 16, 1, 16, 256)]
    for panel in figure.axes:
        panel.set_xscale("log", base=2)
        panel.set_xticks(ticks, labels=[f"{tick:g}" if tick >= 1 else f"1/{1 / tick:g}" for tick in ticks])
        panel.set(xlim=(RATIOS[0], RATIOS[-1]), ylim=(0, 1.15))
        if at is not None:
            panel.axvline(at, color=INK, linewidth=0.8, linestyle="--")
    save(figure, path)


def _panels(
    cells: Sequence[Entry], draw: Callable[[Any, Entry, Mapping[str, Any]], None], *, words: tuple[str, str]
) -> Any:
    from matplotlib.figure import Figure  # slow to import

    grounds = list(dict.fromkeys(cell["ground"] for cell in cells))
    apertures = sorted({cell["f_number"] for cell in cells})
    size = (2.5 * len(apertures) + 1.9, 2.0 * len(grounds) + 0.8)
    figure = Figure(figsize=size, dpi=110, layout="constrained")
    panels = figure.subplots(len(grounds), len(apertures), sharex=True, sharey=True, squeeze=False)
    for cell in cells:
        panel = panels[grounds.index(cell["ground"])][apertures.index(cell["f_number"])]
        for number, (name, entry) in enumerate(sorted(cell["methods"].items())):
            draw(panel, entry, _style(name, number))
        panel.set_title(f"{cell['ground']}, f/{cell['f_number']:g}", fontsize=9, color=INK)
        panel.grid(color="#dddddd", linewidth=0.6)
        panel.spines[["top", "right"]].set_visible(False)
        panel.tick_params(labelsize=8)
    figure.supxlabel(words[0], fontsize=10)
    figure.supylabel(words[1], fontsize=10)
    figure.legend(*panels[0][0].get_legend_handles_labels(), loc="outside right center", frameon=False, fontsize=8)
    return figure


def _style(name: str, number: int) -> dict[str, Any]:
    if name == NAME:
        return {"color": INK, "linestyle": ":", "linewidth": 1.6, "label": name}
    return {
        "color": PALETTE[number % len(PALETTE)],
        "linestyle": STYLES[(number + number // len(PALETTE)) % len(STYLES)],
        "linewidth": 1.2,
        "label": name,
    }
