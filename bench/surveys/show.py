"""The scores of a suite of surveys in the terminal: 80 columns."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..field.survey.compare import Fate
from ..terminal import wrapped
from .fates import NOTHING, PARTED, UNSEEN
from .score import NOMINAL, STATED_MISSES, Score, Share

_NAME = 26


def score_lines(found: Sequence[Score]) -> list[str]:
    """Return all tables: what was stated, the fates, the sizes."""
    whole = found[-1]
    return [*statement_lines(found), "", *fate_lines(whole), "", *size_lines(whole), "", *other_lines(found)]


def statement_lines(found: Sequence[Score]) -> list[str]:
    """Return how often statements of cleanliness were false, a line a kind."""
    lines = [
        '"NO OTHER GRAIN LARGER THAN X", and what lay there',
        f"{'test frames':<{_NAME}}{'X µm':>6}{'sensor':>8}{'false statements':>20}{'size X missed':>19}",
    ]
    for one in found:
        lines.append(
            f"{one.kind[: _NAME - 1]:<{_NAME}}{one.limit_um:>6.1f}{100 * one.share:>6.0f} %"
            f"{_rate(one.statements):>20}{_rate(one.probes):>19}"
        )
    whole = found[-1]
    lines += wrapped(
        f"false: a grain larger than X lay where none is said to, of statements made, with the exact 95 % interval; "
        f"taken by its word at most {100 * NOMINAL:.0f} % may be. size X missed: of grains of diameter X laid into the "
        f"same frames; stated are at most {100 * STATED_MISSES:.0f} %."
    )
    over = [one.kind for one in found if one.statements.exceeds(NOMINAL) or one.probes.exceeds(STATED_MISSES)]
    lines += wrapped(f"surely more than stated: {', '.join(over)}" if over else "nowhere surely more than stated")
    lines += wrapped(
        f'"nothing visible remains" up to some aperture: wrong in {whole.clear.count} of {whole.clear.trials}; '
        f"at f/11: wrong in {whole.clear_11.count} of {whole.clear_11.trials}"
    )
    return lines


def _rate(share: Share) -> str:
    if share.trials == 0:
        return "–"
    span = share.interval
    return f"{share.count}/{share.trials} ({100 * span.low:.0f}–{100 * span.high:.0f} %)"


def fate_lines(one: Score) -> list[str]:
    """Return the confusion table of grains' fates."""
    columns = [*(str(fate) for fate in Fate), PARTED, UNSEEN]
    lines = ["WHAT BECAME OF GRAINS, and what was told", f"{'':<10}" + "".join(f"{name:>8}" for name in columns)]
    lines[1] += f"{'recall':>8}{'precision':>10}"
    for fate in Fate:
        counts = "".join(f"{one.confusion[fate, told]:>8}" for told in columns)
        lines.append(f"{fate:<10}{counts}{_part(one.recall(fate)):>8}{_part(one.precision(fate)):>10}")
    lines.append(f"{NOTHING:<10}" + "".join(f"{one.confusion[NOTHING, told]:>8}" for told in columns[:-2]))
    lines += wrapped("parted: named before and after, but not known as one. nothing: where no grain lies.")
    return lines


def _part(share: Share) -> str:
    return "–" if share.trials == 0 else f"{share.count / share.trials:.2f}"


def size_lines(one: Score) -> list[str]:
    """Return errors by class of size."""
    head = f"{'true size':<14}{'grains':>7}{'named':>7}{'fate':>7}{'size error':>15}{'place':>10}{'depth error':>16}"
    lines = ["SIZES, median and 90th percentile of the error", head]
    for each in one.classes:
        name = f"{each.low_um:g}–{each.high_um:g} µm" if math.isfinite(each.high_um) else f"from {each.low_um:g} µm"
        lines.append(
            f"{name:<14}{each.named.trials:>7}{_part(each.named):>7}{_part(each.fates):>7}"
            f"{_errors(each.error, each.error90):>15}{_px(each.place_px):>10}{_errors(each.depth, each.depth90):>16}"
        )
    return lines


def _errors(middle: float, high: float) -> str:
    return "–" if math.isnan(middle) else f"{100 * middle:.1f}, {100 * high:.1f} %"


def _px(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f} px"


def other_lines(found: Sequence[Score]) -> list[str]:
    """Return the filter's distance, what is no grain, and grains that were named where nothing lies."""
    whole = found[-1]
    lines = wrapped(
        f"filter distance: error {_errors(whole.distance, whole.distance90)} (median, 90th percentile), within its "
        f"interval {whole.covered.count} of {whole.covered.trials} times"
    )
    lines += wrapped(f"things that are no grains, told of in any way: {whole.things.count} of {whole.things.trials}")
    lines += wrapped(
        f"grains named where nothing lies: {whole.false_per_megapixel:.2f} a megapixel of {whole.megapixels:.0f}, "
        f"of them {whole.plain_false} larger than X"
    )
    return lines
