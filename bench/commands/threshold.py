"""`moteyard threshold`: choose a threshold from a result, with a guarantee."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING

from .words import part, positive, whole

if TYPE_CHECKING:
    from ..wishes import AnyWish

HELP = "choose a threshold from a result, with a guarantee"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = (
        "Choose a threshold ground by ground on half of a result's frames and try it on the other half. Ask for one "
        "of four: few false alarms (--at-most, the default), few misses (--recall), few needless repairs "
        "(--precision), or the least cost (--cost-miss and --cost-false)."
    )
    parser.add_argument("result", type=Path, help="a folder that rank wrote")
    parser.add_argument("--detector", metavar="NAME", help="which method (the best over all grounds)")
    parser.add_argument("--at-most", type=_in_words, metavar="M", help="false alarms a frame may carry (1)")
    parser.add_argument("--share", type=part, help="with --at-most: share of frames that keep to it (0.9)")
    parser.add_argument("--recall", type=part, metavar="R", help="share of visible shadows found, on average")
    parser.add_argument("--precision", type=part, metavar="P", help="share of the finds that are dust, on average")
    parser.add_argument("--confidence", type=part, help="with --at-most or --precision: confidence in that (0.95)")
    parser.add_argument("--cost-miss", type=positive, metavar="C", help="what a missed shadow costs")
    parser.add_argument("--cost-false", type=positive, metavar="C", help="what a needless repair costs")
    parser.add_argument("--out", type=Path, metavar="FILE", help="where to write it (RESULT/threshold.json)")


_IN_WORDS = re.compile(r"\s*(\d+)(?: false alarms?(?: (?:a|per) frame)?)?\s*")


def _in_words(text: str) -> int:
    """Read a count, with or without the words 'false alarms per frame'."""
    said = _IN_WORDS.fullmatch(text)
    return whole(said[1] if said else text)


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..rank_command import choose_threshold

    return choose_threshold(options.result, detector=options.detector, wish=_wish(options), out=options.out)


_WISHES = {
    "quiet": {"at_most", "share", "confidence"},
    "recall": {"recall"},
    "precision": {"precision", "confidence"},
    "cost": {"cost_miss", "cost_false"},
}
"""The words that go together."""


def _wish(options: argparse.Namespace) -> AnyWish:
    """Return the one wish that the words make."""
    from ..errors import YardError
    from ..wishes import CostWish, PrecisionWish, RecallWish, Wish

    given = {name: getattr(options, name) for name in set().union(*_WISHES.values())}
    given = {name: value for name, value in given.items() if value is not None}
    for names in _WISHES.values():
        if given.keys() <= names:
            break
    else:
        words = ", ".join(f"--{name.replace('_', '-')}" for name in sorted(given))
        raise YardError(f"{words} ask for different things; take one of them, see: moteyard threshold --help")
    if "recall" in given:
        return RecallWish(given["recall"])
    if "precision" in given:
        return PrecisionWish(given["precision"], given.get("confidence", 0.95))
    if given.keys() & _WISHES["cost"]:
        if len(given) == 1:
            raise YardError("two costs weigh against each other: give both --cost-miss and --cost-false")
        return CostWish(given["cost_miss"], given["cost_false"])
    return Wish(given.get("at_most", 1), given.get("share", 0.9), given.get("confidence", 0.95))
