"""Detection limit: how large a grain must be for a method to find it, per ground and aperture.

Each grain is a trial, found or missed at the cell's threshold, and logit P = β₀ + β₁·ln a in its diameter a, as
is usual for hit/miss data (MIL-HDBK-1823A, from memory). a50 and a90 are the sizes found in 50 % and 90 % of
trials, a90/95 the size that is at least a90 with 95 % confidence: the upper end of the two-sided 90 % interval.
Intervals are of the likelihood ratio, widened by `logit.dispersion` where the grains of a frame share their luck.

All grains of a cell are trials, also those that nobody could see. The threshold was chosen by false alarms alone,
so the grains of all frames may vouch for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit
from scipy.stats import binom, chi2

from .cells import Record, Table, f_numbers, grounds, where
from .logit import Fit, NoFitError, boundary, dispersion, fit, is_separated, trials
from .taken import found_shadows

FloatArray = NDArray[np.float64]

OFTEN = 0.9
"""Probability of detection at the limit: nine times in ten."""

CONFIDENCE = 0.95
"""Of the two-sided intervals, and of the one-sided a90/95."""

FEW = 5
"""Fewer hits or misses than this are said: the curve then hangs on single grains."""

FEW_BLOCKS = 10
"""Fewer independent frames or photographs than this can't tell how much grains of one frame share."""

BINS = 8
"""Groups of grains of equal number, by which curve and data are compared."""

MISFIT = 0.01
"""p-value of the comparison below which the curve is said not to follow the data."""


class Status(StrEnum):
    """How the sizes of a cell were come by."""

    FITTED = "fitted"
    FLAT = "larger grains are not found more often"
    SEPARATED = "separated"
    ALL_FOUND = "all found"
    NONE_FOUND = "none found"
    NO_GRAINS = "no grains"
    NOT_CONVERGED = "not converged"


@dataclass(frozen=True, slots=True)
class Sizes:
    """A diameter in µm with the ends of its interval; nan is unknown, 0 and inf are open ends."""

    estimate: float = math.nan
    low: float = math.nan
    high: float = math.nan


UNKNOWN = Sizes()


@dataclass(frozen=True, slots=True)
class Limit:
    """The detection limit of one cell.

    Attributes
    ----------
    ground, f_number, threshold
        The cell and the score above which a candidate is taken.
    size_um, found
        Its grains (n,), the trials.
    status
        Where it is not `FITTED`, a50 and a90 are bounds from the data or nan.
    a50, a90
        With two-sided 95 % intervals.
    a90_95
        Upper 95 % confidence bound of a90, µm; inf where the data set none.
    dispersion
        By how much grains of one frame share their luck, ≥ 1.
    misfit
        p-value of 'the data follow the curve', nan where unknown.
    note
        What to know, parts joined by "; ", or "".
    fit
        β = (β₀, β₁), or None.
    """

    ground: str
    f_number: float
    threshold: float
    size_um: FloatArray
    found: NDArray[np.bool_]
    status: Status
    a50: Sizes = UNKNOWN
    a90: Sizes = UNKNOWN
    a90_95: float = math.nan
    dispersion: float = math.nan
    misfit: float = math.nan
    note: str = ""
    fit: Fit | None = None


def limits(table: Table, method: str, thresholds: dict[tuple[str, float], float]) -> tuple[Limit, ...]:
    """Return the detection limit of each cell that has a threshold."""
    cells = [(ground, f_number) for ground in grounds(table) for f_number in f_numbers(table)]
    return tuple(
        cell_limit(where(table, ground=ground, f_number=f_number)[method], thresholds[ground, f_number])
        for ground, f_number in cells
        if (ground, f_number) in thresholds
    )


def cell_limit(records: list[Record], threshold: float) -> Limit:
    """Return the detection limit over the frames of one cell."""
    sizes = np.concatenate([record.frame.truth["diameter_um"] for record in records]).astype(np.float64)
    found = np.concatenate([found_shadows(record, threshold) for record in records])
    block = np.repeat([record.frame.block for record in records], [len(record.frame.truth) for record in records])
    frame = records[0].frame
    return Limit(frame.ground, frame.f_number, threshold, sizes, found, **size_limit(sizes, found, block))


def size_limit(size_um: FloatArray, found: NDArray[np.bool_], block: NDArray[Any]) -> dict[str, Any]:
    """Return status, a50, a90, a90/95, dispersion, note and fit of some trials, as `Limit` holds them."""
    if len(size_um) == 0 or is_separated(size_um, found):
        return _unfitted(size_um, found)
    try:
        best = fit(trials(np.log(size_um), found))
    except NoFitError as error:
        return {"status": Status.NOT_CONVERGED, "a90_95": math.inf, "note": f"no curve: {error}"}
    spread = dispersion(best, block)
    widened = 1.0 if math.isnan(spread) else spread
    misfit = fit_p_value(best, size_um, found)
    said = {
        "dispersion": spread,
        "misfit": misfit,
        "note": _notes(found, blocks=np.unique(block).size, misfit=misfit),
        "fit": best,
    }
    if best.beta[1] <= 0:
        return said | {"status": Status.FLAT, "a90_95": math.inf}
    edge = boundary(best, widened * float(chi2.ppf(CONFIDENCE, 1)))
    one_sided = boundary(best, widened * float(chi2.ppf(2 * CONFIDENCE - 1, 1)))
    return said | {
        "status": Status.FITTED,
        "a50": _sizes(best, edge, 0.5),
        "a90": _sizes(best, edge, OFTEN),
        "a90_95": _range(one_sided, OFTEN)[1],
    }


def _unfitted(size_um: FloatArray, found: NDArray[np.bool_]) -> dict[str, Any]:
    """Return what data without a finite maximum tell: a bound from the data, and why."""
    if len(size_um) == 0:
        return {"status": Status.NO_GRAINS, "a90_95": math.inf, "note": "no grains to look for"}
    if not found.any():
        bound = Sizes(math.nan, float(size_um.max()), math.inf)
        return {"status": Status.NONE_FOUND, "a50": bound, "a90": bound, "a90_95": math.inf, "note": _none(size_um)}
    if found.all():
        bound = Sizes(math.nan, 0.0, float(size_um.min()))
        sure = demonstrates(len(found), len(found))
        shown = "" if sure else f"; {len(found)} are too few to show 9 in 10 with 95 % confidence"
        note = f"all {len(found)} grains are found, from {size_um.min():.0f} µm on{shown}"
        return {
            "status": Status.ALL_FOUND,
            "a50": bound,
            "a90": bound,
            "a90_95": float(size_um.min()) if sure else math.inf,
            "note": note,
        }
    missed, hit = size_um[~found], size_um[found]
    if missed.max() > hit.min() or missed.min() >= hit.max():
        note = "all that is found is smaller than all that is missed: no curve"
        return {"status": Status.SEPARATED, "a90_95": math.inf, "note": note}
    bound = Sizes(math.nan, float(missed.max()), float(hit.min()))
    note = (
        f"one size parts found from missed, so no curve can be fitted: all of {len(missed)} up to "
        f"{missed.max():.1f} µm are missed, all of {len(hit)} from {hit.min():.1f} µm on found"
    )
    sure = demonstrates(len(hit), len(hit))
    return {
        "status": Status.SEPARATED,
        "a50": bound,
        "a90": bound,
        "a90_95": bound.high if sure else math.inf,
        "note": note,
    }


def _none(size_um: FloatArray) -> str:
    return f"none of {len(size_um)} grains is found, the largest {size_um.max():.0f} µm"


def _notes(found: NDArray[np.bool_], *, blocks: int, misfit: float) -> str:
    hits, misses = int(found.sum()), int((~found).sum())
    notes = []
    if min(hits, misses) < FEW:
        notes.append(f"only {hits} found" if hits < misses else f"only {misses} missed")
    if blocks < FEW_BLOCKS:
        notes.append(f"only {blocks} independent frames")
    if misfit < MISFIT:
        notes.append("the data do not follow the curve: read the dots")
    return "; ".join(notes)


def _sizes(best: Fit, edge: FloatArray, share: float) -> Sizes:
    return Sizes(float(np.exp((logit(share) - best.beta[0]) / best.beta[1])), *_range(edge, share))


def _range(edge: FloatArray, share: float) -> tuple[float, float]:
    """Return the least and the largest size with P = `share` over a region, given its boundary.

    Where the region reaches slopes of 0 and less, the size runs off to infinity or to nothing.
    """
    rise, slope = logit(share) - edge[:, 0], edge[:, 1]
    up = slope > 0
    log_size = rise[up] / slope[up]
    low = 0.0 if np.any(rise[~up] < 0) else float(np.exp(log_size.min()))
    high = math.inf if np.any(rise[~up] > 0) or log_size.max() > math.log(1e9) else float(np.exp(log_size.max()))
    return low, high


def curve_band(limit: Limit, size_um: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return probability of detection at some sizes, with the ends of its pointwise 95 % interval.

    Raises
    ------
    ValueError
        If the cell has no fitted curve.
    """
    if limit.fit is None:
        raise ValueError(f"{limit.ground} f/{limit.f_number:g} has no curve ({limit.status}); look at its status first")
    design = np.column_stack([np.ones_like(size_um), np.log(size_um)])
    widened = 1.0 if math.isnan(limit.dispersion) else limit.dispersion
    edge = design @ boundary(limit.fit, widened * float(chi2.ppf(CONFIDENCE, 1))).T
    return tuple(np.asarray(expit(eta)) for eta in (design @ limit.fit.beta, edge.min(axis=1), edge.max(axis=1)))  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class Bin:
    """Some grains of neighbouring size: their geometric mean in µm, how many, how many found."""

    size_um: float
    grains: int
    found: int


def bins(size_um: FloatArray, found: NDArray[np.bool_], count: int = BINS) -> list[Bin]:
    """Return the grains in order of size, in `count` groups of equal number; empty groups are left out."""
    order = np.argsort(size_um, kind="stable")
    groups = [group for group in np.array_split(order, count) if len(group)]
    return [Bin(float(np.exp(np.log(size_um[g]).mean())), len(g), int(found[g].sum())) for g in groups]


def fit_p_value(best: Fit, size_um: FloatArray, found: NDArray[np.bool_]) -> float:
    """Return the p-value of 'the data follow the curve', by groups of equal number.

    Hosmer & Lemeshow's Ĉ, Σ (O − E)²/(E·(1 − E/n)) over `BINS` groups, χ² with two degrees less than groups
    (Communications in Statistics A9 (1980) 1043, from memory). nan with fewer than five grains a group.
    """
    order = np.argsort(size_um, kind="stable")
    if len(order) < 5 * BINS:
        return math.nan
    odds = best.data.design @ best.beta
    found_chance, missed_chance = expit(odds), expit(-odds)  # each to its last digit, also next to certainty
    total = 0.0
    for group in np.array_split(order, BINS):
        expected, missed = found_chance[group].sum(), missed_chance[group].sum()
        total += (found[group].sum() - expected) ** 2 / (expected * missed / len(group))
    return float(chi2.sf(total, BINS - 2))


def demonstrates(hits: int, trials: int, *, share: float = OFTEN, confidence: float = CONFIDENCE) -> bool:
    """Tell whether `hits` of `trials` show a probability of at least `share`, exactly by the binomial.

    They do if so many or more would come in at most 1 − confidence of cases were it just `share`.

    >>> demonstrates(29, 29), demonstrates(28, 28)
    (True, False)
    """
    if not 0 <= hits <= trials:
        raise ValueError(f"hits must lie between 0 and trials, not {hits} of {trials}")
    return bool(binom.sf(hits - 1, trials, share) <= 1 - confidence)
