"""Tables for the terminal: 80 columns, no colour, the same answer as the page."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Sequence

import numpy as np

from .answer import Answer
from .boards import Board, Line
from .choice import CellChoice, Choice
from .gaps import Gap
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
        "these frames can't tell the two apart. ideal: the best linear observer, that",
        "knows every shadow's shape and the ground's spectrum and only has to say where.",
    ]


REASONS = 3
"""Different reasons shown of one method's failures, the most frequent first."""


def failure_lines(failures: Sequence[ResultRow]) -> list[str]:
    """Return a line a failed method and reason: on how many frames, and what stopped it."""
    counts = Counter((row.detector, _first_line(row.problem)) for row in failures)
    lines = []
    for name in dict.fromkeys(row.detector for row in failures):
        reasons = [(reason, count) for (method, reason), count in counts.most_common() if method == name]
        lines += [f"FAILED  {name} on {frames_word(count)}: {reason}" for reason, count in reasons[:REASONS]]
        if rest := sum(count for _, count in reasons[REASONS:]):
            lines.append(f"FAILED  {name} on {frames_word(rest)} more, for other reasons")
    return lines


def frames_word(count: int) -> str:
    """Return a number of frames.

    >>> frames_word(1), frames_word(2)
    ('1 frame', '2 frames')
    """
    return f"{count} frame{'s' * (count != 1)}"


def gap_lines(gaps: Sequence[Gap]) -> list[str]:
    """Return for each method with frames missing how many, in which cells, and what to do where it was not tried."""
    lines = []
    for gap in gaps:
        cells = ", ".join(f"{cell} {missing} of {frames}" for cell, missing, frames in gap.cells)
        text = f"MISSING  {gap.method} on {gap.missing} of {frames_word(gap.frames)}, so it is not ranked: {cells}"
        if gap.untried:
            text += f"; {frames_word(gap.untried)} not tried yet: run with --detector {gap.spec} to go on"
        lines += wrapped(text)
    return lines


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
    lines = [
        *wrapped(f"THRESHOLD   {choice.method}: {wish.sentence(choice.frame_megapixels)}"),
        "    the numbers are of frames that did not choose it",
        f"    {'':17}{'score >':>9}{'found':>7}{'prec.':>7}{'false':>7}{wish.unit:>10}{'95 % interval':>15}",
    ]
    lines += [_choice_line(cell, wish.unit) for cell in choice.cells]
    return [*lines, "    prec.: precision. false: false alarms a frame.", *_notes(choice), *_holding(choice)]


def _choice_line(cell: CellChoice, unit: str) -> str:
    number = _money if unit == "cost" else share
    interval = f"{number(cell.measured_low).strip()}–{number(cell.measured_high).strip()}"
    return (
        f"    {clipped(cell.ground):<11}{'f/' + format(cell.f_number, 'g'):<6}{cell.threshold:>9.3g}"
        f"{share(cell.recall):>7}{share(cell.precision):>7}{cell.false_alarms_per_frame:>7.2f}"
        f"{number(cell.measured):>10}{'–' if interval == '–––' else interval:>15}"
    )


def _money(value: float) -> str:
    return "–" if np.isnan(value) else f"{value:.3g}"


def _holding(choice: Choice) -> list[str]:
    """Return where finds and their absence may be relied upon and where not, each a line or more."""
    cells: dict[bool, dict[str, list[str]]] = {True: {}, False: {}}
    for cell in choice.cells:
        cells[cell.trusted].setdefault(cell.ground, []).append(f"f/{cell.f_number:g}")
    apertures = len({cell.f_number for cell in choice.cells})
    said = {
        good: "; ".join(
            ground + ("" if len(found) == apertures else " " + " ".join(found)) for ground, found in by_ground.items()
        )
        for good, by_ground in cells.items()
    }
    head = "pays in" if choice.wish.unit == "cost" else "trust it in"
    texts = (f"    {head}: {said[True] or 'nothing'}", f"    not in: {said[False] or 'nothing'}")
    return [line for text in texts for line in wrapped(text)]


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
