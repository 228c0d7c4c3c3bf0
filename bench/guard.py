"""The regression gate: whether a detector is worse than it was, on the same frames.

Both answers are scored by average precision, or by F1 at given thresholds, per ground and by the mean over grounds,
and their differences are resampled by blocks with the same weights for both, so that they are paired. Intervals are
BCa at a level that makes the family of all lines of a measure 95 % (Bonferroni). With the stated least effect e a
line is

worse
    where the whole interval lies below 0 and the estimate below −e;
better
    where the whole interval lies above 0;
no worse
    where the whole interval lies above −e;
can't tell
    otherwise: the frames are too few for so small an effect.

Only 'worse' fails the gate.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from .cells import Record, grounds, pooled_hits, where
from .curve import f_score
from .interval import Interval, Resampled, Statistic, bca, bootstrap_weights, difference, resample
from .ranking import DETECTABLE

REPLICATES = 2000
"""Bootstrap replicates: 25 beyond an end of a 97.5 % interval."""

FAMILY_ERROR = 0.05
"""Chance that any line's interval misses its true difference."""

ALL = "all grounds"
"""The label of the mean over grounds."""

_SEED = 7


class Verdict(StrEnum):
    """What the gate says of a line."""

    WORSE = "worse"
    BETTER = "better"
    NO_WORSE = "no worse"
    CANT_TELL = "can't tell"


@dataclass(frozen=True, slots=True)
class Line:
    """One ground, or the mean over grounds.

    Attributes
    ----------
    before, after
        The measure of the baseline's answers and of the new ones.
    difference
        after − before with its interval.
    resolution
        Smallest true difference that these frames find in four of five cases, nan where unknown.
    """

    ground: str
    before: float
    after: float
    difference: Interval
    resolution: float
    verdict: Verdict


Measure = Callable[[Sequence[Record]], tuple[Statistic, int]]
"""From the records of a ground to what is resampled, and over how many blocks."""


def average_precision(records: Sequence[Record]) -> tuple[Statistic, int]:
    """Measure records by their average precision."""
    pool = pooled_hits(records)
    return pool.average_precision, len(pool.truths)


def f1_at(threshold: Callable[[Record], float]) -> Measure:
    """Return the measure of F1 where each frame's candidates above a threshold of its own are taken."""

    def measure(records: Sequence[Record]) -> tuple[Statistic, int]:
        limits = np.array([threshold(record) for record in records])
        names, block = np.unique([record.frame.block for record in records], return_inverse=True)
        pairs = list(zip(records, limits.tolist(), strict=True))
        counts = [
            [(record.hit & (record.score > limit)).sum() for record, limit in pairs],
            [(record.false_scores > limit).sum() for record, limit in pairs],
            [record.frame.counted for record in records],
        ]
        hits, false, truths = (np.bincount(block, weights=count, minlength=len(names)) for count in counts)
        return lambda weights: np.asarray(f_score(weights @ hits, weights @ false, weights @ truths)), len(names)

    return measure


def compare(
    before: Sequence[Record], after: Sequence[Record], *, least_effect: float, measure: Measure = average_precision
) -> tuple[Line, ...]:
    """Return the mean over grounds and then each ground.

    Parameters
    ----------
    before, after
        Old and new answers on the same frames in the same order.
    least_effect
        e > 0, in units of the measure.
    measure
        What is compared.
    """
    table = {"before": list(before), "after": list(after)}
    names = grounds(table)
    pairs = {name: _pair(where(table, ground=name), measure) for name in names}
    if len(names) > 1:
        pairs = {
            ALL: (_mean([pair[0] for pair in pairs.values()]), _mean([pair[1] for pair in pairs.values()]))
        } | pairs
    level = 1 - FAMILY_ERROR / max(1, len(pairs))
    return tuple(_line(name, *pair, level=level, least_effect=least_effect) for name, pair in pairs.items())


def _pair(table: dict[str, list[Record]], measure: Measure) -> tuple[Resampled, Resampled]:
    (before, blocks), (after, _) = (measure(table[name]) for name in ("before", "after"))
    # Each ground draws its own blocks, by a seed of its own name, so that grounds are independent strata.
    name = table["before"][0].frame.ground
    weights = bootstrap_weights(blocks, REPLICATES, rng=np.random.default_rng([_SEED, *name.encode()]))
    return resample(before, weights), resample(after, weights)


def _mean(parts: Sequence[Resampled]) -> Resampled:
    """Return the mean of independent strata; its jackknife leaves one block of one stratum out at a time."""
    estimate = float(np.mean([part.estimate for part in parts]))
    replicates = np.mean([part.replicates for part in parts], axis=0)
    without = [estimate + (part.jackknife - part.estimate) / len(parts) for part in parts]
    return Resampled(estimate, replicates, np.concatenate(without))


def _line(name: str, before: Resampled, after: Resampled, *, level: float, least_effect: float) -> Line:
    gap = difference(after, before)
    interval = bca(gap, level=level)
    return Line(
        ground=name,
        before=before.estimate,
        after=after.estimate,
        difference=interval,
        resolution=DETECTABLE * gap.standard_error,
        verdict=verdict(interval, least_effect),
    )


def verdict(gap: Interval, least_effect: float) -> Verdict:
    """Return what an interval says against a least effect, as the head of this module defines it.

    >>> verdict(Interval(-0.05, -0.08, -0.01), 0.02).value, verdict(Interval(-0.05, -0.12, 0.01), 0.02).value
    ('worse', "can't tell")
    """
    if gap.high < 0 and gap.estimate < -least_effect:
        return Verdict.WORSE
    if gap.low > 0:
        return Verdict.BETTER
    return Verdict.NO_WORSE if gap.low > -least_effect else Verdict.CANT_TELL
