"""Few false alarms: at most so many in a share of frames, with confidence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from scipy.special import bdtrc, betaincinv  # scipy.stats would be half of a command's start

from ..cells import Record
from ..order_threshold import frame_statistic, frames_needed, quiet_threshold
from .base import SURPRISE, TRUSTED_RECALL, Counts, Pick, Trial
from .counting import taken


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked of a threshold: at most `most` false alarms in a share of frames, with confidence.

    The lowest threshold that `quiet_threshold` warrants. Its own number is the share of frames that keep to it.
    """

    most: int = 1
    share: float = 0.9
    confidence: float = 0.95
    aim: ClassVar[str] = "quiet"
    unit: ClassVar[str] = "quiet"

    def sentence(self, frame_megapixels: float) -> str:
        """Return what is asked."""
        plural = "" if self.most == 1 else "s"
        return (
            f"at most {self.most} false alarm{plural} a frame of {frame_megapixels:.2g} megapixels in "
            f"{100 * self.share:g} % of frames, with {100 * self.confidence:g} % confidence"
        )

    def pick(self, calibration: Sequence[Record]) -> Pick:
        """Return the lowest threshold with the promise; with too few frames, the quietest calibration allows."""
        alpha, delta = 1 - self.share, 1 - self.confidence
        needed = frames_needed(alpha, delta)
        scores = [record.false_scores for record in calibration]
        if len(calibration) >= needed:
            return Pick(quiet_threshold(scores, most=self.most, alpha=alpha, delta=delta).threshold, True)
        note = f"no guarantee: it needs {needed} independent frames to choose on, there are {len(calibration)}"
        return Pick(max((frame_statistic(score, most=self.most) for score in scores), default=math.inf), False, note)

    def trial(self, calibration: Sequence[Record], held_out: Sequence[Record], threshold: float) -> Trial:
        """Return the share of quiet frames with its exact binomial interval (Clopper & Pearson)."""
        del calibration
        over, frames = self.over(held_out, threshold), len(held_out)
        if not frames:
            return Trial(math.nan, math.nan, math.nan)
        kept = frames - over
        low = float(betaincinv(kept, over + 1, 0.025)) if kept else 0.0
        high = float(betaincinv(kept + 1, over, 0.975)) if over else 1.0
        surprising = bdtrc(over - 1, frames, 1 - self.share) < SURPRISE
        broken = f"{over} of {frames} held-out frames had more false alarms than allowed" if surprising else ""
        return Trial(kept / frames, low, high, broken=broken)

    def over(self, records: Sequence[Record], threshold: float) -> int:
        """Return how many frames carry more false alarms than allowed."""
        return int((taken(records, threshold)[1] > self.most).sum())

    def trusts(self, pick: Pick, trial: Trial, counts: Counts) -> bool:
        """Tell whether the promise stands and at least half of the visible shadows are found."""
        return pick.guaranteed and not trial.broken and counts.recall >= TRUSTED_RECALL
