"""Few misses: a frame's visible shadows are found, on average, up to a share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import stdtr

from ..cells import Record
from ..curve import recall
from ..interval import mean_interval
from ..order_threshold import conformal_threshold, frames_for_mean
from .base import SURPRISE, Counts, Pick, Trial, too_few
from .counting import FloatArray, blocks_of, just_below, taken

TRUSTED_PRECISION = 0.5
"""Where more than half of the finds are no dust, a high recall is bought with harm."""


@dataclass(frozen=True, slots=True)
class RecallWish:
    """The share of a frame's visible shadows that is found shall be at least `share` on average.

    The highest threshold whose miss rate conformal risk control bounds (see `conformal_threshold`, with thresholds
    negated, since misses rise with them). The loss is 1 − hits/shadows of a frame; frames without a visible shadow
    have nothing to miss and are left out. The promise is on the mean over calibrations and frames: of single
    calibrations, nearly half lie a little below it. Its own number is that mean on held-out frames.
    """

    share: float
    aim: ClassVar[str] = "recall"
    unit: ClassVar[str] = "recall"

    def sentence(self, frame_megapixels: float) -> str:
        """Return what is asked."""
        del frame_megapixels
        return f"{100 * self.share:g} % of a frame's visible shadows found, on average over frames and calibrations"

    def pick(self, calibration: Sequence[Record]) -> Pick:
        """Return the highest threshold with the promise."""
        dusty = [record for record in calibration if record.frame.counted]
        needed = frames_for_mean(1 - self.share)
        losses, marks = self._losses(dusty)
        if len(dusty) >= needed:
            found = -conformal_threshold(losses, -marks, alpha=1 - self.share) if len(marks) else -math.inf
            if np.isfinite(found):
                return Pick(found, True)
            best = 1 - losses[:, -1].mean() if len(marks) else 0.0
            at_most = f"even the lowest threshold finds {100 * best:.0f} % of {len(dusty)} frames' shadows"
            return Pick(math.inf, False, f"can't be had: {at_most}; none is taken")
        note = f"no guarantee: it needs {needed} independent frames with shadows to choose on, there are {len(dusty)}"
        good = marks[losses.mean(axis=0) <= 1 - self.share] if dusty else marks
        return Pick(float(good[0]) if len(good) else math.inf, False, note)

    @staticmethod
    def _losses(dusty: Sequence[Record]) -> tuple[FloatArray, FloatArray]:
        """Return the miss rate of each frame at thresholds that descend, one just below each score of a hit."""
        scores = [np.sort(record.score[record.hit].astype(np.float64)) for record in dusty]
        marks = np.unique(np.concatenate(scores))[::-1] if scores else np.zeros(0)
        found = [len(own) - np.searchsorted(own, marks, side="left") for own in scores]
        counted = np.array([record.frame.counted for record in dusty], dtype=np.float64)
        losses = 1 - np.array(found, dtype=np.float64).reshape(len(dusty), len(marks)) / counted[:, None]
        return losses, np.array([just_below(mark) for mark in marks])

    def trial(self, calibration: Sequence[Record], held_out: Sequence[Record], threshold: float) -> Trial:
        """Return the mean recall of a frame.

        The promise allows one calibration to fall short; it is broken where the held-out mean falls short by more
        than two samples of such frames, the calibration's and this one, would differ by chance (Student's t).
        """
        values = self._recalls(held_out, threshold)
        interval = mean_interval(values, blocks_of(held_out))
        known, chosen = values[~np.isnan(values)], self._recalls(calibration, threshold)
        frames = np.unique(np.asarray(blocks_of(held_out))[~np.isnan(values)]).size
        broken = ""
        if frames > 1 and (~np.isnan(chosen)).sum() > 1:
            error = float(known.std(ddof=1)) * math.sqrt(1 / frames + 1 / int((~np.isnan(chosen)).sum()))
            short = self.share - float(known.mean())
            if short > 0 and (error == 0 or stdtr(frames - 1, -short / error) < SURPRISE):
                broken = f"only {100 * known.mean():.0f} % found on held-out frames"
        return Trial(interval.estimate, interval.low, interval.high, broken=too_few(frames) or broken)

    @staticmethod
    def _recalls(records: Sequence[Record], threshold: float) -> FloatArray:
        hits, _, counted = taken(records, threshold)
        return np.asarray(recall(hits, counted))

    def trusts(self, pick: Pick, trial: Trial, counts: Counts) -> bool:
        """Tell whether the promise stands and at least half of the finds are shadows."""
        return pick.guaranteed and not trial.broken and counts.precision >= TRUSTED_PRECISION
