"""Clean scenes to put dust on, and the register of those that ship."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Mapping
from typing import Any

from .base import Background
from .mist import Mist
from .night import Night
from .photograph import PhotographFolder
from .rock import Rock
from .screen import Screen
from .scrub import Scrub
from .sky import Sky
from .snow import Snow
from .wall import Wall
from .water import Water

__all__ = [
    "BACKGROUNDS",
    "Background",
    "Mist",
    "Night",
    "PhotographFolder",
    "Rock",
    "Screen",
    "Scrub",
    "Sky",
    "Snow",
    "Wall",
    "Water",
    "make",
]

BACKGROUNDS: dict[str, type[Any]] = {
    "sky": Sky,
    "snow": Snow,
    "scrub": Scrub,
    "rock": Rock,
    "water": Water,
    "mist": Mist,
    "night": Night,
    "wall": Wall,
    "screen": Screen,
    "photograph": PhotographFolder,
}
"""Background classes by the name that a suite gives them."""


def make(name: str, options: Mapping[str, Any] | None = None) -> Background:
    """Return the background `name` with `options` for its fields.

    Raises
    ------
    ValueError
        If the name or an option is unknown, an option that has no default is missing, or a value is out of
        its range.

    Examples
    --------
    >>> make("sky", {"kind": "clear"})
    Sky(kind='clear')
    """
    if name not in BACKGROUNDS:
        raise ValueError(_unknown("background", name, list(BACKGROUNDS)))
    kind, options = BACKGROUNDS[name], dict(options or {})
    fields = {field.name: field for field in dataclasses.fields(kind)}
    for option in options:
        if option not in fields:
            raise ValueError(_unknown(f"option of {name}", option, list(fields)))
    missing = [n for n, f in fields.items() if n not in options and f.default is dataclasses.MISSING]
    if missing:
        raise ValueError(f"{name} needs the option {', '.join(missing)}")
    background: Background = kind(**options)
    return background


def _unknown(what: str, name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"did you mean {near[0]!r}? " if near else ""
    return f"unknown {what} {name!r}; {hint}known are {', '.join(known)}"
