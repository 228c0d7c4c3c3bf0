"""Surveys against the truth in one picture: sizes told, and what lay where nothing larger than X is said to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..surveys.outcome import Outcome
from ..surveys.score import NOMINAL, STATED_MISSES, Score
from .plots import INK, PALETTE


def write_survey_plot(path: Path, outcomes: Sequence[Outcome], found: Sequence[Score]) -> None:
    """Write three panels as a PNG: sizes, unreported grains beside X, and the rates of what was stated."""
    from matplotlib.figure import Figure  # slow to import

    figure = Figure(figsize=(12.5, 4.2), dpi=130, layout="constrained")
    sizes, there, rates = figure.subplots(1, 3, width_ratios=(1, 1, 1.15))
    _sizes(sizes, outcomes)
    _there(there, outcomes)
    _rates(rates, found)
    for panel in (sizes, there, rates):
        panel.spines[["top", "right"]].set_visible(False)
        panel.grid(color="#dddddd", linewidth=0.6)
        panel.set_axisbelow(True)
    figure.savefig(path)


def _sizes(panel, outcomes: Sequence[Outcome]) -> None:  # type: ignore[no-untyped-def]
    pairs = [(each.size_um, each.told_um) for o in outcomes for survey in o.surveys for each in survey.found]
    true, told = np.array(pairs).reshape(-1, 2).T
    ends = np.array([3.0, 250.0])
    panel.plot(ends, ends, color="#999999", linewidth=1)
    panel.scatter(true, told, s=9, color=PALETTE[0], alpha=0.6, linewidth=0)
    panel.set(xscale="log", yscale="log", xlim=ends, ylim=ends, xlabel="true diameter, µm", ylabel="told, µm")
    panel.set_title("grains named")


def _there(panel, outcomes: Sequence[Outcome]) -> None:  # type: ignore[no-untyped-def]
    made = [s for o in outcomes for s in o.surveys if math.isfinite(s.limit_um)]
    points = [(survey.limit_um, size) for survey in made for size in survey.there_um]
    x, y = np.array(points).reshape(-1, 2).T
    false = y > x
    top = 1.2 * max([*x, *y, 10.0])
    panel.fill_between([0, top], [0, top], top, color=PALETTE[1], alpha=0.12, linewidth=0)
    panel.plot([0, top], [0, top], color="#999999", linewidth=1)
    panel.scatter(x[~false], y[~false], s=10, color=PALETTE[0], linewidth=0)
    panel.scatter(x[false], y[false], s=26, color=PALETTE[1], marker="x")
    panel.set(xlim=(0, top), ylim=(0, top), xlabel="X of the statement, µm", ylabel="grain that lay there, µm")
    panel.set_title("not named (shaded: the statement is false)")


def _rates(panel, found: Sequence[Score]) -> None:  # type: ignore[no-untyped-def]
    rows = list(range(len(found)))
    series = (("false statements", "statements", -0.14, PALETTE[1]), ("size X missed", "probes", 0.14, PALETTE[0]))
    for label, name, shift, colour in series:
        spans = [getattr(one, name).interval for one in found]
        middle = np.array([span.estimate for span in spans])
        below = [span.estimate - span.low for span in spans]
        above = [span.high - span.estimate for span in spans]
        at = np.array(rows) + shift
        panel.errorbar(100 * middle, at, xerr=100 * np.array([below, above]), fmt="o", color=colour, label=label, ms=4)
    nominal = 100 * max(NOMINAL, STATED_MISSES)
    panel.axvline(nominal, color=INK, linewidth=1, linestyle="--", label="at most, as stated")
    panel.set_yticks(rows, [one.kind for one in found])
    panel.set_ylim(len(found) - 0.5, -0.5)
    panel.set(xlim=(0, None), xlabel="%, with exact 95 % interval")
    panel.legend(frameon=False, fontsize=8, ncols=3, loc="upper center", bbox_to_anchor=(0.4, -0.13))
    panel.set_title("statements against the truth")
