"""Wishes as a file holds them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from .cost import CostWish
from .precision import PrecisionWish
from .quiet import Wish
from .recall import RecallWish

AnyWish = Wish | RecallWish | PrecisionWish | CostWish

_KINDS: dict[str, type[AnyWish]] = {kind.aim: kind for kind in (Wish, RecallWish, PrecisionWish, CostWish)}


def as_plain(wish: AnyWish) -> dict[str, Any]:
    """Return a wish's word and numbers."""
    return {"aim": wish.aim, **asdict(wish)}


def from_plain(raw: Mapping[str, Any]) -> AnyWish:
    """Return the wish that `as_plain` wrote; without a word it is one for few false alarms.

    Raises
    ------
    KeyError, TypeError
        If it is none.
    """
    fields = dict(raw)
    return _KINDS[fields.pop("aim", Wish.aim)](**fields)
