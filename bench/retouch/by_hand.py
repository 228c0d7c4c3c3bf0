"""The list of places to look at by hand, of all photographs in a folder."""

from __future__ import annotations

import csv
from pathlib import Path

from ..errors import YardError
from ..whole_file import whole_file
from .outputs import RECORD
from .record import read_record

BY_HAND = "by-hand.csv"

BY_HAND_HEADER = ["photograph", "number", "x", "y", "why"]


def check_list(out: Path) -> None:
    """Refuse to replace a file called like our list that is not one."""
    listed = out / BY_HAND
    if listed.exists() and not listed.read_bytes().startswith(",".join(BY_HAND_HEADER).encode()):
        raise YardError(f"{listed} is not a list that retouch wrote; choose another --out or move it away")


def write_by_hand(out: Path) -> None:
    """Write the list of places to look at, anew from all records in the folder."""
    rows = []
    for file in sorted(out.glob("*" + RECORD)):
        record = read_record(file) or {"repairs": []}
        rows += [
            [file.name.removesuffix(RECORD), one["number"], one["x"], one["y"], one["by_hand"]]
            for one in record["repairs"]
            if one["by_hand"]
        ]
    if not rows and not (out / BY_HAND).exists():
        return
    with whole_file(out / BY_HAND) as scratch, scratch.open("w", newline="", encoding="utf-8") as stream:
        writer_ = csv.writer(stream)
        writer_.writerow(BY_HAND_HEADER)
        writer_.writerows([name, number, f"{x:.1f}", f"{y:.1f}", why] for name, number, x, y, why in rows)
