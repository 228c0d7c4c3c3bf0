"""What `rank` says, and what it leaves beside the store."""

from __future__ import annotations

from dataclasses import dataclass

OUTPUTS = (
    "report.html",
    "frames.jpg",
    *(f"{name}.{kind}" for name in ("curves", "froc", "cost", "limit", "ranks") for kind in ("png", "svg")),
    "threshold.json",
    "explore.json",
    "crops.json",
    "ranking.csv",
    "cases.csv",
    "sweep.csv",
    "cost.csv",
    "limit.csv",
)
"""Files of a result folder, ranks only where there are enough scenes and methods."""


@dataclass(frozen=True, slots=True)
class Told:
    """What is said of a run.

    Attributes
    ----------
    text, object
        For people, and as JSON for machines.
    missing
        What failed or lacks frames, "" where the board is whole.
    notes
        What to know about photographs among the grounds, sentences that are said before the run.
    """

    text: str
    object: str
    missing: str
    notes: tuple[str, ...] = ()
