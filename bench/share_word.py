"""A share as a word of a table or page."""

from __future__ import annotations

import math


def share_word(value: float, digits: int = 3) -> str:
    """Return a value in 0…1 without its leading zero, a dash for nan.

    >>> share_word(0.98712), share_word(1.0, 2), share_word(float("nan"))
    ('.987', '1.00', '–')
    """
    return "–" if math.isnan(value) else f"{value:.{digits}f}".removeprefix("0")
