"""The numbers of a run: one ranking per ground, with intervals, and each method's curve and cost."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .ceiling import NAME, ceiling
from .cells import Record, Table, f_numbers, grounds, pooled_curve, pooled_hits, where
from .critical import block_scores, signed_rank
from .interval import Interval, Resampled, bca, bootstrap_weights, resample
from .ranking import Row, rank

FloatArray = NDArray[np.float64]

REPLICATES = 1000
"""Bootstrap replicates; the ends of a 95 % interval then move by about a tenth of its width between seeds."""

_SEED = 5
"""Of the bootstrap, so that the same store gives the same page."""


@dataclass(frozen=True, slots=True)
class Line:
    """One method on one ground.

    Attributes
    ----------
    row
        Rank, average precision and its interval, over all apertures pooled.
    by_f_number
        Average precision at each f-number, with intervals.
    found
        Recall at one false alarm a frame or fewer, 0…1.
    signed_rank
        p-value of the difference from the best method by signed ranks over blocks, see `critical.signed_rank`.
    found_by_megapixel
        Recall at one false alarm a megapixel or fewer, 0…1.
    froc
        Mean recall at ⅛, ¼ … 8 false alarms a frame as in free-response studies.
    cpu_s_per_megapixel
        Median over the frames.
    memory_mb
        What a call added to its process at its peak, in 10⁶ bytes, median over the one frame in four that is weighed;
        nan where on none.
    """

    row: Row
    by_f_number: dict[float, Interval]
    found: float
    found_by_megapixel: float
    froc: float
    cpu_s_per_megapixel: float
    memory_mb: float
    signed_rank: float = math.nan


@dataclass(frozen=True, slots=True)
class Board:
    """The ranking of one ground.

    Attributes
    ----------
    shadows, counted
        True shadows on its frames, and those that an observer would see.
    texture
        Median over the frames, natural-log units.
    ideal
        The ideal observer on the same frames: the ceiling, without a rank.
    resolution
        Smallest difference in average precision that this many frames tell, in four cases of five.
    """

    ground: str
    frames: int
    shadows: int
    counted: int
    texture: float
    resolution: float
    lines: tuple[Line, ...]
    ideal: Line

    def of_ideal(self, line: Line) -> float:
        """Return a method's average precision as a share of the ideal observer's; nan where that finds nothing."""
        whole = self.ideal.row.estimate
        return line.row.estimate / whole if whole > 0 else float("nan")


def boards(table: Table) -> tuple[Board, ...]:
    """Return a board per ground, smoothest ground first; none for an empty table."""
    return tuple(_board(ground, where(table, ground=ground)) for ground in grounds(table))


def _board(ground: str, table: Table) -> Board:
    records = next(iter(table.values()))
    ranking = rank(_resampled(table))
    ideal = {NAME: ceiling(records)}
    numbers = f_numbers(table)
    apertures = {f: _resampled(where(table | ideal, f_number=f)) for f in numbers}
    p_values, best = signed_rank(block_scores(table)), ranking.rows[0].method
    lines = tuple(
        replace(
            _line(row, table[row.method], apertures),
            signed_rank=p_values.get(frozenset((best, row.method)), math.nan),
        )
        for row in ranking.rows
    )
    (top,) = rank(_resampled(ideal)).rows
    return Board(
        ground=ground,
        frames=len(records),
        shadows=sum(len(record.frame.truth) for record in records),
        counted=sum(record.frame.counted for record in records),
        texture=float(np.median([record.frame.texture for record in records])),
        resolution=ranking.resolution,
        lines=lines,
        ideal=_line(top, ideal[NAME], apertures),
    )


def _resampled(table: Table) -> dict[str, Resampled]:
    """Resample the average precision of each method with one set of weights, so that differences pair."""
    pools = {name: pooled_hits(records) for name, records in table.items()}
    blocks = len(next(iter(pools.values())).truths)
    weights = bootstrap_weights(blocks, REPLICATES, rng=np.random.default_rng(_SEED))
    return {name: resample(hits.average_precision, weights) for name, hits in pools.items()}


def _line(row: Row, records: Sequence[Record], apertures: dict[float, dict[str, Resampled]]) -> Line:
    curve = pooled_curve(records)
    return Line(
        row=row,
        by_f_number={f: bca(methods[row.method]) for f, methods in apertures.items()},
        found=float(curve.recall_at([1.0])[0]),
        found_by_megapixel=float(curve.recall_at_per_megapixel([1.0])[0]),
        froc=curve.froc_score(),
        cpu_s_per_megapixel=float(np.median([record.result.cpu_s / record.frame.megapixels for record in records])),
        memory_mb=_memory(records),
    )


def _memory(records: Sequence[Record]) -> float:
    measured = [record.result.memory_bytes for record in records if math.isfinite(record.result.memory_bytes)]
    return float(np.median(measured)) / 1e6 if measured else math.nan


def best_method(shown: Sequence[Board]) -> str | None:
    """Return the method with the highest mean average precision over the grounds where it is defined, or None."""
    scores: dict[str, list[float]] = {}
    for board in shown:
        for line in board.lines:
            if np.isfinite(line.row.estimate):
                scores.setdefault(line.row.method, []).append(line.row.estimate)
    most = max((len(values) for values in scores.values()), default=0)
    means = {name: float(np.mean(values)) for name, values in scores.items() if len(values) == most}
    return max(means, key=lambda name: means[name]) if means else None
