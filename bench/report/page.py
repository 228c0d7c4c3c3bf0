"""The page of a run: one HTML file that holds everything and asks nothing of the network."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from ..answer import Answer, percent, promise, reason
from ..boards import Board, Line
from ..cost_curve import RATIOS
from ..critical import MeanRanks, p_value
from ..gallery import TILE_PX
from ..interval import Interval
from ..share_word import share_word
from ..store import ResultRow
from ..terminal import failure_lines
from ..whole_file import whole_file
from .reliability_plot import Stated

_HERE = Path(__file__).parent

SCRIPTS = ("draw.js", "explore.js", "gallery.js")
"""In the order in which they need each other."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A WebP picture as base64 text; `alt` says what is in it."""

    data: str
    alt: str
    caption: str


@dataclass(frozen=True, slots=True)
class Expense:
    """What a method takes: the least and the most over grounds of their medians; nan where not measured."""

    method: str
    cpu_s_per_megapixel: tuple[float, float]
    memory_mb: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Report:
    """All that the page shows, already computed.

    Attributes
    ----------
    boards, answer
        Rankings, and the answer; None where no method has every frame.
    cells, gallery
        Entries of `explore.explore` and `gallery.gallery`, in one order of cells.
    frames, curves
        A judged frame a ground, and precision over recall as a plot, which turns dark with the page.
    ranks
        Mean ranks by ground, where there are scenes and methods enough.
    failures, card
        Failed results, and the run card.
    stated
        Methods whose scores are probabilities, with how well those hold.
    """

    boards: Sequence[Board]
    answer: Answer | None
    cells: Sequence[Mapping[str, Any]]
    gallery: Sequence[Mapping[str, Any]]
    frames: Sequence[Picture]
    curves: Picture | None
    ranks: Mapping[str, MeanRanks]
    failures: Sequence[ResultRow]
    card: Mapping[str, Any]
    stated: Sequence[Stated] = ()


def write_page(path: Path, report: Report) -> None:
    """Write the page, whole or not at all.

    Every name that comes from outside (detectors, folders, files, messages) is escaped: by the template in the text,
    as base64 in the data, and by `textContent` in the script. A content security policy with
    the script's hash keeps a browser from running anything else, and from asking the network.
    """
    script = "\n".join(map(_script, SCRIPTS)) if report.cells else ""
    held = {
        "boards": report.boards,
        "answer": report.answer,
        "promise": promise(report.answer.choice) if report.answer else "",
        "grounds": [board.ground for board in report.boards],
        "f_numbers": _f_numbers(report.boards),
        "data": _data(report),
        "expenses": expenses(report.boards),
        "frames": report.frames,
        "curves": report.curves,
        "ranks": report.ranks,
        "failures": failure_lines(report.failures),
        "card": report.card,
        "stated": report.stated,
        "script": script,
        "script_hash": base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    }
    filters: dict[str, Callable[..., Any]] = {
        "interval": percent, "methods": methods, "tied": _tied, "reason": reason, "commands": commands, "span": _span,
        "p_value": p_value,
    }  # fmt: skip
    write_whole(path, render("page.html", held, filters=filters))


def render(template: str, held: Mapping[str, Any], *, filters: Mapping[str, Callable[..., Any]]) -> str:
    """Return a template of this folder filled in, all text escaped, with the common style and filters."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"share": share_word, "percent": _percent, **filters}
    return environment.get_template(template).render(style=(_HERE / "page.css").read_text(encoding="utf-8"), **held)


def write_whole(path: Path, text: str) -> None:
    """Write a page, whole or not at all."""
    with whole_file(path) as scratch:
        scratch.write_text(text, encoding="utf-8")


def methods(boards: Sequence[Board]) -> list[str]:
    """Return the methods of the boards by their mean average precision, best first, those without one last."""
    scores: dict[str, list[float]] = {}
    for board in boards:
        for line in board.lines:
            scores.setdefault(line.row.method, []).append(line.row.estimate)
    means = {name: np.nan_to_num(np.mean(values), nan=-1.0) for name, values in scores.items()}
    return sorted(means, key=lambda name: (-means[name], name))


def expenses(boards: Sequence[Board]) -> list[Expense]:
    """Return what each method takes, in the order of `methods`."""
    return [
        Expense(name, *(_spread(boards, name, what) for what in ("cpu_s_per_megapixel", "memory_mb")))
        for name in methods(boards)
    ]


def _spread(boards: Sequence[Board], method: str, what: str) -> tuple[float, float]:
    found = [getattr(line, what) for board in boards for line in board.lines if line.row.method == method]
    known = [value for value in found if math.isfinite(value)]
    return (min(known), max(known)) if known else (math.nan, math.nan)


def commands(text: str) -> Markup:
    """Return a sentence, escaped, with the commands in it set off, so that they are not broken over lines."""
    parts = re.split(r"(moteyard [^)]+)", text)
    return Markup("").join(Markup("<code>{}</code>").format(part) if i % 2 else part for i, part in enumerate(parts))


def _script(name: str) -> str:
    return (_HERE / "script" / name).read_text(encoding="utf-8")


def _data(report: Report) -> str:
    """Return what the script reads: JSON, compressed by gzip and written in base64, which holds no mark of HTML."""
    if not report.cells or report.answer is None:
        return ""
    held = {
        "grounds": [board.ground for board in report.boards],
        "f_numbers": _f_numbers(report.boards),
        "methods": methods(report.boards),
        "best": report.answer.choice.method,
        "cost_ratios": RATIOS,
        "tile": TILE_PX,
        "cells": report.cells,
        "gallery": report.gallery,
    }
    text = json.dumps(held, separators=(",", ":"), allow_nan=False)
    return base64.b64encode(gzip.compress(text.encode(), mtime=0)).decode()


def _f_numbers(boards: Sequence[Board]) -> list[float]:
    return sorted({f for board in boards for f in board.ideal.by_f_number})


def _tied(board: Board, line: Line) -> bool:
    return sum(other.row.rank == line.row.rank for other in board.lines) > 1


def _span(ends: tuple[float, float], digits: int) -> str:
    """Return the least and the most, once where they look the same.

    >>> _span((0.151, 0.18), 2), _span((48.2, 48.4), 0), _span((math.nan, math.nan), 0)
    ('0.15–0.18', '48', '–')
    """
    if math.isnan(ends[0]):
        return "–"
    return "–".join(dict.fromkeys(f"{end:.{digits}f}" for end in ends))


def _percent(value: float | Interval) -> str:
    number = value.estimate if isinstance(value, Interval) else value
    return "–" if math.isnan(number) else f"{100 * number:.0f} %"
