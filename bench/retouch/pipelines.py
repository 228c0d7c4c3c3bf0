"""Pipelines of detector, threshold and repair: what each leaves and harms, what it costs, and which is best when.

A cost has two prices: a visible spot that is left costs r, a clean place that is harmed costs 1. Whoever leaves all to
the hand pays h for each visible spot and harms nothing; h is the user's own assumption. Thresholds are chosen on one
half of the blocks and paid for on the other, and the other way round.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..interval import Interval, bca, bootstrap_weights, resample
from ..judge import SEEN
from .outcome import FrameOutcome, Outcome

FloatArray = NDArray[np.float64]

AS_IT_IS, BY_HAND = "as it is", "by hand"
"""Two pipelines without a detector: nothing is mended, or all of it by a person."""

RATIOS = tuple(float(r) for r in np.geomspace(0.1, 100, 31))
"""Prices of a visible spot that is left, in harmed places."""

REPLICATES, SEED = 1000, 26106


@dataclass(frozen=True, slots=True)
class RepairLine:
    """One repair on the known spots of one ground, at one f-number or at all (`f_number` nan).

    Attributes
    ----------
    spots
        How many visible spots there were.
    residual
        Σ after / Σ before of what is seen, 0 is best.
    residual_shallow
        The same of spots less than 60 % deep.
    still_seen
        Share of the spots that are seen afterwards.
    texture
        Variance of the texture inside over the original's, 1 is best.
    harmed
        Share of the frame's clean pixels that differ by ΔE00 > 1 afterwards.
    marred
        Share of the detectors' candidates at which nothing was to be seen that are seen once they are mended.
    """

    ground: str
    f_number: float
    detector: str
    repair: str
    spots: int
    residual: Interval
    residual_shallow: Interval
    still_seen: Interval
    texture: Interval
    harmed: Interval
    marred: Interval


SHALLOW = 0.6


def repair_line(frames: Sequence[FrameOutcome], detector: str, repair: str, *, f_number: float) -> RepairLine:
    """Return the measures of a repair over frames of one ground."""
    chosen = [[o for o in f.outcomes if (o.detector, o.repair) == (detector, repair) and o.truth >= 0] for f in frames]
    nothing = [[o for o in f.outcomes if o.repair == repair and o.truth < 0 and o.before < SEEN] for f in frames]
    shallow = [[o for o in some if o.depth < SHALLOW] for some in chosen]

    def ratio(tops: Sequence[float], bottoms: Sequence[float]) -> Interval:
        return _ratio(frames, tops, bottoms)

    return RepairLine(
        ground=frames[0].ground,
        f_number=f_number,
        detector=detector,
        repair=repair,
        spots=sum(len(some) for some in chosen),
        residual=ratio(_sums(chosen, "after"), _sums(chosen, "before")),
        residual_shallow=ratio(_sums(shallow, "after"), _sums(shallow, "before")),
        still_seen=ratio([sum(o.after >= SEEN for o in some) for some in chosen], [len(some) for some in chosen]),
        texture=ratio(_sums(chosen, "fine"), _sums(chosen, "fine_original")),
        harmed=ratio(_sums(chosen, "harmed_px"), [frame.clean_px for frame in frames]),
        marred=ratio([sum(o.after >= SEEN for o in some) for some in nothing], [len(some) for some in nothing]),
    )


def _sums(chosen: Sequence[Sequence[Outcome]], name: str) -> list[float]:
    return [float(np.nansum([getattr(o, name) for o in some])) if some else 0.0 for some in chosen]


def _ratio(frames: Sequence[FrameOutcome], tops: Sequence[float], bottoms: Sequence[float]) -> Interval:
    """Return Σ tops / Σ bottoms with its bootstrap interval over blocks; nan is 0/0."""
    blocks = sorted({frame.block for frame in frames})
    number = [blocks.index(frame.block) for frame in frames]
    top, bottom = (np.bincount(number, weights=np.asarray(v, float), minlength=len(blocks)) for v in (tops, bottoms))

    def statistic(weights: FloatArray) -> FloatArray:
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray((weights @ top) / (weights @ bottom))

    weights = bootstrap_weights(len(blocks), REPLICATES, rng=np.random.default_rng(SEED))
    return bca(resample(statistic, weights))


@dataclass(frozen=True, slots=True)
class Price:
    """What a pipeline costs a frame of one ground at one ratio, and what a person would do with it.

    Attributes
    ----------
    cost
        r × spots left visible + places harmed, a frame; for the hand h × visible spots.
    left, shows, harmed
        Visible spots left a frame, those of them that were mended and still show, and clean places harmed.
    threshold
        The mean of the two that were chosen; nan without a detector.
    """

    ground: str
    pipeline: str
    ratio: float
    cost: float
    left: float
    shows: float
    harmed: float
    threshold: float


def prices(frames: Sequence[FrameOutcome], *, hand: float | None = None) -> list[Price]:
    """Return what each pipeline costs on frames of one ground, for all of `RATIOS`.

    Of one block only, which can't be both chosen on and paid for, a detector has no price.

    Parameters
    ----------
    hand
        h, what a spot mended by hand costs in harmed places; None leaves that option out.
    """
    ground, visible = frames[0].ground, float(np.mean([len(frame.visible) for frame in frames]))
    nan = float("nan")
    found = [Price(ground, AS_IT_IS, r, r * visible, visible, 0.0, 0.0, nan) for r in RATIOS]
    if hand is not None:
        found += [Price(ground, BY_HAND, r, hand * visible, 0.0, 0.0, 0.0, nan) for r in RATIOS]
    for detector, repair in sorted({(o.detector, o.repair) for frame in frames for o in frame.outcomes}):
        found += _pipeline_prices(frames, detector, repair)
    return found


def _pipeline_prices(frames: Sequence[FrameOutcome], detector: str, repair: str) -> list[Price]:
    halves = _halves(frames)
    if not all(halves):
        return []
    grid = sorted({o.score for f in frames for o in f.outcomes if (o.detector, o.repair) == (detector, repair)})
    limits = np.array([*([-np.inf] if grid else []), *grid, np.inf])
    tables = [np.array([_counts(frame, detector, repair, limits) for frame in half]) for half in halves]
    found = []
    for r in RATIOS:
        paid, limit = [], []
        for chooser, payer in ((0, 1), (1, 0)):
            totals = tables[chooser].sum(axis=0)
            # Of equal costs the highest threshold: what is not needed is not touched.
            cost = r * totals[:, 0] + totals[:, 2]
            best = len(limits) - 1 - int(np.argmin(cost[::-1]))
            paid += list(tables[payer][:, best])
            limit.append(limits[best])
        left, shows, harm = np.mean(paid, axis=0)
        name = f"{detector} + {repair}"
        found.append(
            Price(
                frames[0].ground,
                name,
                r,
                r * left + harm,
                float(left),
                float(shows),
                float(harm),
                float(np.mean(limit)),
            )
        )
    return found


def _halves(frames: Sequence[FrameOutcome]) -> tuple[list[FrameOutcome], list[FrameOutcome]]:
    """Split frames by block, in an order drawn from the blocks' names."""
    order = sorted({frame.block for frame in frames}, key=lambda block: hashlib.sha256(block.encode()).digest())
    first = set(order[::2])
    return [f for f in frames if f.block in first], [f for f in frames if f.block not in first]


def _counts(frame: FrameOutcome, detector: str, repair: str, limits: FloatArray) -> FloatArray:
    """Return spots left, mended spots that show and clean places harmed, at each threshold, (limits, 3)."""
    mine = [o for o in frame.outcomes if (o.detector, o.repair) == (detector, repair)]
    score = np.array([o.score for o in mine])
    gone = np.array([o.truth >= 0 and o.after < SEEN for o in mine], dtype=float)
    shows = np.array([o.truth >= 0 and o.how != "left" and o.after >= SEEN for o in mine], dtype=float)
    harm = np.array([o.truth < 0 and o.after >= SEEN and o.after > o.before for o in mine], dtype=float)
    taken = (score[None, :] > limits[:, None]).astype(float) if mine else np.zeros((len(limits), 0))
    return np.column_stack([len(frame.visible) - taken @ gone, taken @ shows, taken @ harm])


@dataclass(frozen=True, slots=True)
class Region:
    """Ratios from `low` to `high` at which a pipeline costs least on a ground."""

    ground: str
    pipeline: str
    low: float
    high: float
    price: Price


def regions(found: Sequence[Price]) -> list[Region]:
    """Return the cheapest pipeline of one ground by ratio, neighbours of one pipeline joined."""
    best = [min((p for p in found if p.ratio == r), key=lambda p: p.cost) for r in RATIOS]
    joined: list[Region] = []
    for price in best:
        if joined and joined[-1].pipeline == price.pipeline:
            last = joined[-1]
            joined[-1] = Region(last.ground, last.pipeline, last.low, price.ratio, price)
        else:
            joined.append(Region(price.ground, price.pipeline, price.ratio, price.ratio, price))
    return joined
