"""What a miss costs against what a needless repair costs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from ..cells import Record
from ..interval import mean_interval
from .base import Counts, Pick, Trial, too_few
from .counting import FloatArray, blocks_of, just_below, last_of_ties, levels, taken


@dataclass(frozen=True, slots=True)
class CostWish:
    """The mean cost of a frame, miss × missed visible shadows + false × false alarms, shall be least.

    The threshold with the least cost on the calibration frames, the highest of equals. Where a candidate's chance p
    of being dust rises with its score, that takes those with p ≥ false/(false + miss) (Bayes' rule for two costs).
    It comes without a guarantee: its own number is the cost on held-out frames, beside that of taking nothing.
    """

    miss: float
    false: float
    aim: ClassVar[str] = "cost"
    unit: ClassVar[str] = "cost"

    def sentence(self, frame_megapixels: float) -> str:
        """Return what is asked."""
        return (
            f"least cost a frame of {frame_megapixels:.2g} megapixels, where a miss costs {self.miss:g} and a "
            f"needless repair {self.false:g}"
        )

    def pick(self, calibration: Sequence[Record]) -> Pick:
        """Return the threshold of least mean cost."""
        if not calibration:
            return Pick(math.inf, False, "no frames to choose on")
        score, hit, _ = levels(calibration)
        return Pick(cheapest(score, hit, miss=self.miss, false=self.false), False)

    def trial(self, calibration: Sequence[Record], held_out: Sequence[Record], threshold: float) -> Trial:
        """Return the mean cost; broken where it is not surely below that of taking nothing (paired by frame)."""
        del calibration
        costs, idle = (self._costs(held_out, at) for at in (threshold, math.inf))
        blocks = blocks_of(held_out)
        interval = mean_interval(costs, blocks)
        saved = mean_interval(idle - costs, blocks)
        broken = "" if saved.low > 0 else "not surely cheaper than taking nothing"
        broken = too_few(len(set(blocks))) or broken
        untouched = float(idle.mean()) if len(idle) else math.nan
        return Trial(interval.estimate, interval.low, interval.high, untouched=untouched, broken=broken)

    def _costs(self, records: Sequence[Record], threshold: float) -> FloatArray:
        hits, false, counted = taken(records, threshold)
        return np.asarray(self.miss * (counted - hits) + self.false * false)

    def trusts(self, pick: Pick, trial: Trial, counts: Counts) -> bool:
        """Tell whether it is surely cheaper than taking nothing."""
        del pick, counts
        return not trial.broken


def cheapest(score: FloatArray, hit: NDArray[np.bool_], *, miss: float, false: float) -> float:
    """Return the threshold of least cost over candidates in descending score, the highest of equals, +inf for none."""
    last = last_of_ties(score)
    change = np.cumsum(np.where(hit, -miss, false))[last]
    if not len(last) or change.min() >= 0:
        return math.inf
    return just_below(score[last[int(np.argmin(change))]])
