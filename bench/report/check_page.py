"""The page of `moteyard check`: one HTML file that holds everything and asks nothing of the network."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from ..cells import where
from ..check_command import Findings, cpu_s_per_megapixel
from ..check_look import Crop
from ..gallery import webp
from ..share_word import share_word
from ..store import HIT, IGNORED
from ..suite import Suite
from ..terminal import failure_lines

_HERE = Path(__file__).parent

IN_STRIP = 120
"""Candidates in the strip: what comes later is below any threshold that one would set."""

QUALITY = 88
"""Of the crops as WebP: few of them, so a little finer than a gallery of hundreds."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A ground's strongest candidates, highest score first: whether each is a hit, and how many are taken."""

    ground: str
    threshold: float
    hit: tuple[bool, ...]
    taken: int


def write_check_page(path: Path, findings: Findings, *, suite: Suite) -> None:
    """Write the page; an existing file is never replaced.

    Every name that comes from outside (the detector, its messages, labels of grounds) is escaped by the template.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"share": share_word, "score": _score, "webp": partial(webp, quality=QUALITY)}
    mine = findings.table.get(findings.name)
    text = environment.get_template("check.html").render(
        findings=findings,
        galleries=_galleries(findings),
        strips=[_strip(ground, findings) for ground in findings.thresholds],
        cpu=cpu_s_per_megapixel(findings) if mine else None,
        failures=failure_lines(findings.failures),
        size=IN_STRIP,
        suite=suite,
        frames=sum(1 for _ in suite.scenes("develop")),
        style="".join((_HERE / name).read_text(encoding="utf-8") for name in ("page.css", "check.css")),
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("x", encoding="utf-8") as file:
        file.write(text)


def _galleries(findings: Findings) -> list[tuple[str, str, int, Sequence[Crop]]]:
    """Return heading, explanation, count and crops of each kind."""
    if findings.look is None:
        return []
    hits, misses, false = findings.look.counts
    return [
        ("False alarms", "highest score first", false, findings.look.false_alarms),
        ("Misses", "the plainest to an observer first", misses, findings.look.misses),
        ("Hits", "highest score first", hits, findings.look.hits),
    ]


def _strip(ground: str, findings: Findings) -> Strip:
    records = where(findings.table, ground=ground)[findings.name]
    spots = np.concatenate([record.result.spots for record in records])
    counting = spots[spots["kind"] != IGNORED]
    chosen = counting[np.argsort(-counting["score"], kind="stable")[:IN_STRIP]]
    threshold = findings.thresholds[ground]
    return Strip(ground, threshold, tuple((chosen["kind"] == HIT).tolist()), int((chosen["score"] >= threshold).sum()))


def _score(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.3g}"
