"""What the surveys of one kind were right and wrong about, over all its pairs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest

from ..field.survey.compare import Fate
from ..interval import Interval
from .fates import Told
from .outcome import Outcome, Survey

CLASSES_UM = ((0.0, 8.0), (8.0, 20.0), (20.0, 50.0), (50.0, math.inf))
"""Diameters from … to below …, in which grains are counted apart."""

STATED_MISSES = 0.1
""""9 in 10 of that size are found": the share of grains of diameter X that may be missed."""

NOMINAL = 0.1
"""Share of statements that may be false if "no grain larger than X" is taken by its word: grains near X are few, and
at most one in ten of them is missed."""


@dataclass(frozen=True, slots=True)
class Share:
    """A count of some trials, with the exact (Clopper–Pearson) 95 % interval of its probability."""

    count: int
    trials: int

    @property
    def interval(self) -> Interval:
        """The share with its interval; nan without a trial."""
        if self.trials == 0:
            return Interval(math.nan, math.nan, math.nan)
        ends = binomtest(self.count, self.trials).proportion_ci(0.95, method="exact")
        return Interval(self.count / self.trials, float(ends.low), float(ends.high))

    def exceeds(self, nominal: float) -> bool:
        """Tell whether so many would come in less than 5 % of cases were the probability the nominal."""
        if self.trials == 0:
            return False
        return float(binomtest(self.count, self.trials, nominal, alternative="greater").pvalue) < 0.05


@dataclass(frozen=True, slots=True)
class SizeClass:
    """Grains of one class of size, in all surveys of a kind.

    Attributes
    ----------
    low_um, high_um
        From, to below.
    named
        How many of the true grains were named.
    error, error90
        Median and 90th percentile of |told/true − 1| of the diameters; nan without a grain.
    place_px
        Median distance of the place told from the true one.
    depth, depth90
        Median and 90th percentile of |told/true − 1| of the shadows' depths.
    fates
        How many grains' fates were told rightly.
    """

    low_um: float
    high_um: float
    named: Share
    error: float
    error90: float
    place_px: float
    depth: float
    depth90: float
    fates: Share


@dataclass(frozen=True, slots=True)
class Score:
    """One kind of the suite, or all.

    Attributes
    ----------
    kind
        Its label.
    surveys
        How many; a pair is two.
    statements
        False statements of those that were made.
    probes
        Grains of diameter X that were not named, of those laid in.
    clear
        Wrong ones of the statements that nothing visible remains up to some aperture.
    clear_11
        The same of those that say so of f/11.
    limit_um, share
        Median X, and median share of the picture that it is about.
    false_per_megapixel, plain_false
        Named grains that are nothing true; and how many of them are larger than X.
    megapixels
        Surveyed.
    distance, distance90, covered
        Median and 90th percentile of |told/true − 1| of the filter's distance, and how often its interval holds it.
    things
        What is no grain and was told of in any way.
    classes
        By size.
    confusion
        (fate, told) → count.
    """

    kind: str
    surveys: int
    statements: Share
    probes: Share
    clear: Share
    clear_11: Share
    limit_um: float
    share: float
    false_per_megapixel: float
    plain_false: int
    megapixels: float
    distance: float
    distance90: float
    covered: Share
    things: Share
    classes: tuple[SizeClass, ...]
    confusion: Counter[tuple[str, str]]

    def precision(self, fate: Fate) -> Share:
        """Return how many grains that were told this fate had it."""
        told = sum(count for (_, said), count in self.confusion.items() if said == fate)
        return Share(self.confusion[fate, fate], told)

    def recall(self, fate: Fate) -> Share:
        """Return how many grains of this fate were told it."""
        true = sum(count for (had, _), count in self.confusion.items() if had == fate)
        return Share(self.confusion[fate, fate], true)


def score(kind: str, outcomes: Sequence[Outcome]) -> Score:
    """Return the score of pairs of one kind."""
    surveys = [survey for outcome in outcomes for survey in outcome.surveys]
    told = [row for outcome in outcomes for row in outcome.told]
    made = [survey for survey in surveys if math.isfinite(survey.limit_um)]
    clear = [survey for survey in surveys if survey.clear_to > 0]
    clear_11 = [survey for survey in clear if survey.clear_to >= 11]
    measured = [survey for survey in surveys if math.isfinite(survey.low_mm)]
    megapixels = sum(survey.megapixels for survey in surveys)
    off = [abs(survey.told_mm / survey.distance_mm - 1) for survey in measured]
    return Score(
        kind=kind,
        surveys=len(surveys),
        statements=_share(survey.is_false for survey in made),
        probes=Share(sum(s.probes - s.probes_found for s in made), sum(s.probes for s in made)),
        clear=_share(survey.is_wrongly_clear for survey in clear),
        clear_11=_share(survey.shows_from <= 11 for survey in clear_11),
        limit_um=_quantile([survey.limit_um for survey in made], 0.5),
        share=_quantile([survey.share for survey in made], 0.5),
        false_per_megapixel=sum(len(s.false_um) for s in surveys) / megapixels,
        plain_false=sum(size > survey.limit_um for survey in surveys for size in survey.false_um),
        megapixels=megapixels,
        distance=_quantile(off, 0.5),
        distance90=_quantile(off, 0.9),
        covered=_share(survey.low_mm <= survey.distance_mm <= survey.high_mm for survey in measured),
        things=Share(sum(s.things_told for s in surveys), sum(s.things for s in surveys)),
        classes=tuple(_class(low, high, surveys, told) for low, high in CLASSES_UM),
        confusion=Counter((row.fate, row.told) for row in told),
    )


def scores(outcomes: Sequence[Outcome]) -> list[Score]:
    """Return a score a kind, and where there are several, one of all."""
    kinds = list(dict.fromkeys(outcome.kind for outcome in outcomes))
    found = [score(kind, [outcome for outcome in outcomes if outcome.kind == kind]) for kind in kinds]
    return found if len(found) < 2 else [*found, score("all", outcomes)]


def _share(held: Iterable[bool]) -> Share:
    values = list(held)
    return Share(sum(values), len(values))


def _class(low: float, high: float, surveys: Sequence[Survey], told: Sequence[Told]) -> SizeClass:
    found = [each for survey in surveys for each in survey.found if low <= each.size_um < high]
    missed = sum(low <= size < high for survey in surveys for size in survey.missed_um)
    sizes = [abs(each.told_um / each.size_um - 1) for each in found]
    depths = [abs(each.told_depth / each.depth - 1) for each in found]
    rows = [row for row in told if low <= row.size_um < high and row.fate in list(Fate)]
    return SizeClass(
        low_um=low,
        high_um=high,
        named=Share(len(found), len(found) + missed),
        error=_quantile(sizes, 0.5),
        error90=_quantile(sizes, 0.9),
        place_px=_quantile([each.error_px for each in found], 0.5),
        depth=_quantile(depths, 0.5),
        depth90=_quantile(depths, 0.9),
        fates=_share(row.fate == row.told for row in rows),
    )


def _quantile(values: Sequence[float], q: float) -> float:
    return float(np.quantile(values, q)) if len(values) else math.nan
