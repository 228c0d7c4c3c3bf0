"""By how much further out a lens puts shadows than the test frames' lens: told by the photographs themselves.

The exit pupil's distance is in no file, but where a shadow ought to be, those photographs that show it say where it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..contract import Photograph
from .predict import Prediction
from .remeasure import Look

Array = NDArray[np.float64]

MOST_SHIFT = 0.03
"""Greatest |m − 1| looked for: d = 1 mm with exit pupils 30 mm and 300 mm away, or 2 mm with 45 mm and 100 mm."""

CAP = 6.0
"""Evidence of one grain in one photograph counts as at most this either way, so that a dark thing of the scene cannot
decide alone."""

LEAST_GAIN = 8.0
"""Evidence by which another factor has to beat m = 1."""

NARROW = 0.01
"""A range of ratios less wide is told; the corner of 24 megapixels is then known to 18 px either way."""

SMOOTHED = 8
"""The answer is the likelihood's mean over so many factors to each side of the best."""

MOST_COMPARED = 60
"""The plainest shadows of a photograph are compared; more only cost time."""

RATIOS = 1 + np.linspace(-MOST_SHIFT, MOST_SHIFT, 121)
"""The factors tried, alike for all photographs so that their evidence adds up; the corner of 24 megapixels moves by
1.8 px from each to the next, a small part of a shadow's width."""


def lens_magnification(shots: Sequence[tuple[Photograph, Sequence[Prediction]]]) -> float:
    """Return m, by which shadows lie further out than predicted, of photographs taken with one lens and focal length.

    Every shadow that was predicted, in every photograph, speaks for each factor by its log-likelihood ratio
    r·d′ − d′²/2, capped. Where no factor beats 1 by `LEAST_GAIN`, it is 1: the photographs don't tell.

    Parameters
    ----------
    shots
        Photographs, each with what `predict` says for a magnification of 1.
    """
    total = np.zeros(len(RATIOS))
    for photograph, predictions in shots:
        total += lens_evidence(photograph, predictions)
    return likely_ratio(total)


@dataclass(frozen=True, slots=True)
class LensRatio:
    """How much further out a lens puts shadows, as far as its photographs tell.

    Attributes
    ----------
    ratio
        As `lens_magnification` has it, 1 where they don't tell.
    low, high
        Where it lies with 95 % probability, if beforehand each of `RATIOS` is as likely. Capped evidence makes this
        rather too wide.
    is_told
        Whether the photographs tell another ratio than 1, or that it is 1 within a range narrower than `NARROW`.
    """

    ratio: float
    low: float
    high: float
    is_told: bool

    @property
    def sentence(self) -> str:
        """What may be said of it.

        >>> LensRatio(1.0, 0.972, 1.028, is_told=False).sentence
        'these photographs do not tell how much further out their lens puts shadows: -2.80 % to +2.80 %'
        """
        ends = f"{100 * (self.low - 1):+.2f} % to {100 * (self.high - 1):+.2f} %"
        if not self.is_told:
            return f"these photographs do not tell how much further out their lens puts shadows: {ends}"
        return f"their lens puts shadows {100 * (self.ratio - 1):+.2f} % further out, {ends} with 95 % probability"


def lens_ratio_range(shots: Sequence[tuple[Photograph, Sequence[Prediction]]]) -> LensRatio:
    """Return `lens_magnification` with its uncertainty: in scrub alone it is the whole range looked at.

    Parameters
    ----------
    shots
        As for `lens_magnification`.
    """
    total = np.zeros(len(RATIOS))
    for photograph, predictions in shots:
        total += lens_evidence(photograph, predictions)
    weight = np.exp(total - total.max())
    step = RATIOS[1] - RATIOS[0]  # each stands for a step of ratios about it
    edges = np.append(RATIOS - step / 2, RATIOS[-1] + step / 2)
    below = np.append(0.0, np.cumsum(weight) / weight.sum())
    low, high = (float(np.interp(share, below, edges)) for share in (0.025, 0.975))
    ratio = likely_ratio(total)
    return LensRatio(ratio, low, high, is_told=ratio != 1 or high - low < NARROW)


def lens_evidence(photograph: Photograph, predictions: Sequence[Prediction]) -> Array:
    """Return one photograph's log-likelihood ratio for each of `RATIOS`; those of several photographs add up."""
    plain = sorted(predictions, key=lambda p: -p.shadow.peak_depth * p.shadow.fwhm_px)[:MOST_COMPARED]
    if not plain:
        return np.zeros(len(RATIOS))
    middle = (np.array(photograph.shape) - 1) / 2
    dy = np.array([prediction.y for prediction in plain]) - middle[0]
    dx = np.array([prediction.x for prediction in plain]) - middle[1]
    look = Look(photograph, plain)
    gains = np.stack([_gains(look, dx * m + middle[1], dy * m + middle[0], photograph.shape) for m in RATIOS])
    # Scaled, not cut off: a plain shadow's evidence keeps its peak, which tells the factor best.
    most = np.maximum(gains.max(axis=0), CAP)
    return np.asarray(np.maximum(gains * (CAP / most), -CAP).sum(axis=1))


def _gains(look: Look, x: Array, y: Array, shape: tuple[int, int]) -> Array:
    """Return each shadow's log-likelihood ratio at these places, 0 outside the frame."""
    inside = (x >= -0.5) & (x < shape[1] - 0.5) & (y >= -0.5) & (y < shape[0] - 0.5)
    factor, expected = look.fit(np.where(inside, x, 0.0), np.where(inside, y, 0.0))
    return np.where(inside, factor * expected**2 - expected**2 / 2, 0.0)


def likely_ratio(evidence: Array) -> float:
    """Return the factor of the greatest evidence, or 1 where it does not stand out."""
    best, same = int(np.argmax(evidence)), len(RATIOS) // 2
    if abs(best - same) <= 1 or evidence[best] - evidence[same] < LEAST_GAIN:
        return 1.0
    near = slice(max(0, best - SMOOTHED), best + SMOOTHED + 1)
    weight = np.exp(np.minimum(evidence[near] - evidence[best], 0.0))
    return float(np.sum(weight * RATIOS[near]) / np.sum(weight))
