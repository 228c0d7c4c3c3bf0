"""Tables for the terminal: 80 columns, no colour, the same answer as the page."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np

from .answer import Answer
from .boards import Board, Line
from .choice import Choice
from .store import ResultRow

WIDTH = 80

_EIGHTHS = " ▏▎▍▌▋▊▉█"


def bar(value: float, *, width: int) -> str:
    """Return a bar of `width` characters for a value in 0…1, in eighths of a character.

    >>> bar(0.5, width=4), bar(float("nan"), width=2)
    ('██  ', '  ')
    """
    eighths = 0 if np.isnan(value) else round(min(max(value, 0.0), 1.0) * width * 8)
    full, rest = divmod(eighths, 8)
    return ("█" * full + (_EIGHTHS[rest] if rest else "")).ljust(width)


def share(value: float) -> str:
    """Return a value in 0…1 in four characters: `.987`, `1.00`, `  – ` for nan."""
    if np.isnan(value):
        return "  – "
    text = f"{value:.3f}"
    return text[1:] if value < 0.9995 else "1.00"


def clipped(name: str) -> str:
    """Return a name in at most ten characters, the cut shown.

    >>> clipped("matched"), clipped("a-rather-long-name")
    ('matched', 'a-rather-…')
    """
    return name if len(name) <= 10 else name[:9] + "…"


def board_lines(board: Board) -> list[str]:
    """Return a ground's table as lines of text."""
    apertures = list(board.lines[0].by_f_number) if board.lines else []
    title = (
        f"{board.ground.upper()}   {board.frames} frames, {board.counted} of {board.shadows} shadows "
        f"plain enough to see"
    )
    head = f"{'':4}{'':11}{'average precision':<30}{'found':>6} "
    head += "".join(f"{'f/' + format(f, 'g'):>6}" for f in apertures)
    lines = [title, head.rstrip()]
    lines.append(_row(board.ideal, apertures, place="  "))
    previous = 0
    for line in board.lines:
        lines.append(_row(line, apertures, place=" =" if line.row.rank == previous else f"{line.row.rank:2d}"))
        previous = line.row.rank
    resolution = "too few frames to tell" if np.isnan(board.resolution) else f"{board.resolution:.3f}"
    lines.append(f"    smallest difference these frames can tell: {resolution}")
    return lines


def _row(line: Line, apertures: Sequence[float], *, place: str) -> str:
    row = line.row
    text = f"{place}  {clipped(row.method):<11}{share(row.estimate)} {share(row.low)}–{share(row.high)} "
    text += f"{bar(row.estimate, width=14)} {share(line.found):>6} "
    return text + "".join(f"{share(line.by_f_number[f].estimate):>6}" for f in apertures)


def legend() -> list[str]:
    """Return what the columns mean."""
    return [
        "average precision: area under precision over recall, 1 is perfect; with its",
        "95 % interval over scenes, and at each f-number. found: share of the visible",
        "shadows found at no more than one false alarm a frame. = shares the rank above:",
        "these frames can't tell the two apart. ideal: an observer that knows every",
        "shadow's shape and the ground's statistics, and only has to say where.",
    ]


def failure_lines(failures: Sequence[ResultRow]) -> list[str]:
    """Return one line per failed method: how often, and the first reason."""
    by_method: dict[str, list[ResultRow]] = {}
    for row in failures:
        by_method.setdefault(row.detector, []).append(row)
    return [
        f"FAILED  {name} on {len(rows)} frame{'s' * (len(rows) > 1)}: {_first_line(rows[0].problem)}"
        for name, rows in by_method.items()
    ]


def _first_line(problem: str | None) -> str:
    """Return a message's first line; what a terminal would obey instead of show becomes a question mark.

    >>> _first_line(chr(27) + "[2Jgone" + chr(10) + "more")
    '?[2Jgone'
    """
    line = (problem or "").strip().partition("\n")[0]
    return "".join(letter if letter.isprintable() else "?" for letter in line)


def choice_lines(choice: Choice) -> list[str]:
    """Return the chosen thresholds and how they fared on frames that did not choose them."""
    wish = choice.wish
    plural = "" if wish.most == 1 else "s"
    lines = [
        f"THRESHOLD   {choice.method}: at most {wish.most} false alarm{plural} a frame of "
        f"{choice.frame_megapixels:.2g} megapixels",
        f"    in {100 * wish.share:g} % of frames, with {100 * wish.confidence:g} % confidence; "
        "the numbers are of other frames",
        f"    {'':17}{'score >':>9}{'found':>8}{'precision':>11}{'false/frame':>13}{'over':>7}",
    ]
    for cell in choice.cells:
        over = f"{cell.over}/{cell.held_out_frames}"
        lines.append(
            f"    {clipped(cell.ground):<11}{'f/' + format(cell.f_number, 'g'):<6}{cell.threshold:>9.3g}"
            f"{share(cell.recall):>8}{share(cell.precision):>11}{cell.false_alarms_per_frame:>13.2f}{over:>7}"
            f"{'' if cell.trusted else '  no trust'}"
        )
    return lines + _notes(choice)


def answer_lines(answer: Answer) -> list[str]:
    """Return the two sentences, as the page says them."""
    return ["ANSWER", *(line for text in (answer.use, answer.beware) for line in wrapped(f"    {text}"))]


def _notes(choice: Choice) -> list[str]:
    """Return each note once, with the cells that it is about."""
    about: dict[str, list[str]] = {}
    for cell in choice.cells:
        if cell.note:
            about.setdefault(cell.note, []).append(f"{cell.ground} f/{cell.f_number:g}")
    return [
        line
        for note, where in about.items()
        for line in wrapped(f"    {'all' if len(where) == len(choice.cells) else ', '.join(where)}: {note}")
    ]


def wrapped(text: str) -> list[str]:
    """Return a sentence as lines of at most `WIDTH` characters, the later ones indented."""
    return textwrap.wrap(text, WIDTH, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
