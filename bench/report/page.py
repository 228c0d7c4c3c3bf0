"""The page of a run: one HTML file that holds everything and asks nothing of the network."""

from __future__ import annotations

import base64
import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ..boards import Board
from ..choice import Choice
from ..store import ResultRow
from ..terminal import failure_lines

_HERE = Path(__file__).parent


def write_page(
    path: Path,
    *,
    shown: Sequence[Board],
    choice: Choice | None,
    failures: Sequence[ResultRow],
    card: Mapping[str, Any],
) -> None:
    """Write the page from numbers already computed; `curves.png` beside it is put inside it.

    Every name that comes from outside (detectors, folders, messages) is escaped by the template.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters |= {"share": _share, "percent": _percent}
    picture = base64.b64encode((path.parent / "curves.png").read_bytes()).decode()
    hidden = {"scenes", "fingerprints", "specs", "format"}
    text = environment.get_template("page.html").render(
        boards=shown,
        choice=choice,
        failures=failure_lines(failures),
        curves=picture,
        card={key: value for key, value in card.items() if key not in hidden},
        style=(_HERE / "page.css").read_text(encoding="utf-8"),
    )
    scratch = path.with_suffix(".part")
    scratch.write_text(text, encoding="utf-8")
    os.replace(scratch, path)


def _share(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.3f}"


def _percent(value: float) -> str:
    return "–" if math.isnan(value) else f"{100 * value:.0f} %"
