"""Ways to mend a spot, and what one must be. None of them ever sees the truth."""

from .contract import DIVIDED, FILLED, LEFT, Mended, Patch, Repair, Repaired, SpotBySpot
from .registry import RepairError, entries, load, names

__all__ = [
    "DIVIDED",
    "FILLED",
    "LEFT",
    "Mended",
    "Patch",
    "Repair",
    "RepairError",
    "Repaired",
    "SpotBySpot",
    "entries",
    "load",
    "names",
]
