"""The page of a run: one HTML file that holds everything and asks nothing of the network."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..boards import Board
from ..choice import CellChoice, Choice
from ..store import ResultRow
from ..terminal import failure_lines
from ..whole_file import whole_file

_HERE = Path(__file__).parent


def write_page(
    path: Path,
    *,
    shown: Sequence[Board],
    choice: Choice | None,
    failures: Sequence[ResultRow],
    card: Mapping[str, Any],
) -> None:
    """Write the page from numbers already computed; `curves.png` and `frames.jpg` beside it are put inside it.

    Every name that comes from outside (detectors, folders, messages) is escaped by the template.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters |= {"share": _share, "percent": _percent}
    hidden = {"scenes", "fingerprints", "specs", "format", "answer"}
    text = environment.get_template("page.html").render(
        boards=shown,
        choice=choice,
        cells=_by_ground(choice),
        failures=failure_lines(failures),
        curves=_inline(path.parent / "curves.png"),
        frames=_inline(path.parent / "frames.jpg"),
        card={key: value for key, value in card.items() if key not in hidden},
        style=(_HERE / "page.css").read_text(encoding="utf-8"),
    )
    with whole_file(path) as scratch:
        scratch.write_text(text, encoding="utf-8")


def _by_ground(choice: Choice | None) -> dict[str, list[CellChoice]]:
    found: dict[str, list[CellChoice]] = {}
    for cell in choice.cells if choice else ():
        found.setdefault(cell.ground, []).append(cell)
    return found


def _inline(picture: Path) -> str:
    return base64.b64encode(picture.read_bytes()).decode()


def _share(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.3f}"


def _percent(value: float) -> str:
    return "–" if math.isnan(value) else f"{100 * value:.0f} %"
