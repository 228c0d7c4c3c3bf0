"""Answers to a name that nobody knows."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def nearest(name: str, known: Iterable[str]) -> str:
    """Return what to say after "unknown …": the nearest known name, if one is near, and all of them.

    >>> nearest("fiber", ["fibre", "grain"])
    "did you mean 'fibre'? known are fibre, grain"
    """
    names = list(known)
    near = difflib.get_close_matches(name, names, n=1)
    guess = f"did you mean {near[0]!r}? " if near else ""
    return f"{guess}known are {', '.join(names)}"
