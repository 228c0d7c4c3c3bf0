"""`moteyard survey --history`: the course of it."""

from __future__ import annotations

from pathlib import Path

from ...terminal import wrapped
from .command import unwritten
from .history import history
from .history_plot import draw_history, draw_marks
from .history_report import history_lines, write_entries, write_json, write_marks
from .record import records_in

ENTRIES, MARKS, NUMBERS = "history.csv", "marks.csv", "history.json"
GROWTH, STAYS = "history.png", "marks.png"


def tell_history(folder: Path, *, out: Path) -> int:
    """Read the surveys in a folder, write tables and pictures, print a report. Returns the exit status."""
    pictures = [name for png in (GROWTH, STAYS) for name in (png, png.replace(".png", ".svg"))]
    unwritten(out, (ENTRIES, MARKS, NUMBERS, *pictures))
    done = history(records_in(folder))
    print("\n".join(history_lines(done)))
    out.mkdir(parents=True, exist_ok=True)
    write_entries(out / ENTRIES, done)
    write_marks(out / MARKS, done)
    write_json(out / NUMBERS, done)
    draw_history(out / GROWTH, done)
    draw_marks(out / STAYS, done)
    files = f"{GROWTH}, {STAYS} (and as SVG), {ENTRIES}, {MARKS}, {NUMBERS}"
    print("\n".join(["", *wrapped(f"written to {out}: {files}")]))
    return 0
