"""Few needless repairs: what is taken in a frame is dust, on average, up to a share, with confidence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from ..cells import Record
from ..curve import precision
from ..interval import mean_interval
from ..learn_then_test import hoeffding_bentkus, lowest_passing
from ..order_threshold import frames_needed
from .base import SURPRISE, TRUSTED_RECALL, Counts, Pick, Trial
from .counting import FloatArray, blocks_of, just_below, last_of_ties, levels, taken


@dataclass(frozen=True, slots=True)
class PrecisionWish:
    """In frames where anything is taken, at least `share` of it is dust on average, with confidence.

    Chosen by `learn_then_test`: the loss of a frame is the share of its finds that are false, so that frames and
    not spots are the independent trials. It says nothing of frames in which nothing is taken, and it holds where
    dust is as frequent as on the frames it was chosen on: less dust means less precision. Its own number is the
    mean precision of the frames with finds.
    """

    share: float
    confidence: float = 0.95
    aim: ClassVar[str] = "precision"
    unit: ClassVar[str] = "precision"

    def sentence(self, frame_megapixels: float) -> str:
        """Return what is asked."""
        del frame_megapixels
        return (
            f"{100 * self.share:g} % of what is taken in a frame is dust, on average over the frames with finds, "
            f"with {100 * self.confidence:g} % confidence, where dust is as frequent as here"
        )

    @property
    def needed(self) -> int:
        """Frames with finds below which no threshold can pass, and one more: see `lowest_passing`."""
        return frames_needed(1 - self.share, 1 - self.confidence) + 1

    def pick(self, calibration: Sequence[Record]) -> Pick:
        """Return the lowest threshold that passes; without one, the lowest with so much precision on these frames."""
        alpha, delta = 1 - self.share, 1 - self.confidence
        if not sum(len(record.score) for record in calibration):
            return Pick(math.inf, False, f"no guarantee: it needs {self.needed} frames with finds, there are none")
        mark, frames, loss = frame_losses(calibration)
        passing = lowest_passing(loss, frames, alpha=alpha, delta=delta)
        if passing is not None:
            return Pick(just_below(mark[passing]), True)
        if frames[-1] < self.needed:
            note = f"no guarantee: it needs {self.needed} frames with finds to choose on, there are {frames[-1]}"
        else:
            note = f"no guarantee: too many finds are false already where {self.needed} frames can test it"
        good = np.flatnonzero(loss <= alpha)
        return Pick(just_below(mark[good[-1]]) if len(good) else math.inf, False, note)

    def trial(self, calibration: Sequence[Record], held_out: Sequence[Record], threshold: float) -> Trial:
        """Return the mean precision of a frame with finds; broken by the test of the opposite on these frames."""
        del calibration
        hits, false, _ = taken(held_out, threshold)
        values = np.asarray(precision(hits, false))
        interval = mean_interval(values, blocks_of(held_out))
        known = ~np.isnan(values)
        frames = np.unique(np.asarray(blocks_of(held_out))[known]).size
        broken = ""
        if frames and hoeffding_bentkus(interval.estimate, frames, self.share) < SURPRISE:
            broken = f"only {100 * interval.estimate:.0f} % of what was taken in held-out frames is dust"
        return Trial(interval.estimate, interval.low, interval.high, broken=broken)

    def trusts(self, pick: Pick, trial: Trial, counts: Counts) -> bool:
        """Tell whether the promise stands and at least half of the visible shadows are found."""
        return pick.guaranteed and not trial.broken and counts.recall >= TRUSTED_RECALL


def frame_losses(records: Sequence[Record]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return, for each score from the highest, how many frames have finds and the mean share of false ones there.

    The candidates of that score are taken.
    """
    score, hit, frame = levels(records)
    found, false, share = np.zeros(len(records)), np.zeros(len(records)), np.zeros(len(records))
    frames, total = np.zeros(len(score)), np.zeros(len(score))
    with_finds, shares = 0, 0.0
    for number, (index, good) in enumerate(zip(frame.tolist(), hit.tolist(), strict=True)):
        with_finds += found[index] == 0
        found[index] += 1
        false[index] += not good
        shares += false[index] / found[index] - share[index]
        share[index] = false[index] / found[index]
        frames[number], total[number] = with_finds, shares
    last = last_of_ties(score)
    return score[last], frames[last], np.clip(total[last] / frames[last], 0.0, 1.0)
