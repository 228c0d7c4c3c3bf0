"""The matched filter: the linear ideal observer, given the shadow's profile and the local noise."""

from __future__ import annotations

import numpy as np

from .contract import FloatArray, Photograph, SingleFrame, Spots
from .noise import local_level
from .optical_scales import reduction
from .peaks import most_candidates
from .picture import shrink
from .profiles import Profile, profiles
from .refit import refitted
from .scan import candidates, fitting, kept
from .whitening import whitened_snr

FLOOR = 2.0
"""Signal-to-noise ratio under which nothing is a candidate."""

LEAST_PX = 8.0
"""Wide shadows are left 8–16 px in the shrunken picture: shrinking more cost 0.04 of average precision in
synthetic sky."""

GLINT = 2.0
"""Excess over the local mean, in local standard deviations, at which brightness is cut: dust only darkens
(its bright rim by a few per cent), while one snow crystal's glint rings through a whole tile."""


def without_glints(log: FloatArray) -> FloatArray:
    """Return log luminance cut at `GLINT` local standard deviations above the local mean."""
    middle, spread = local_level(log)
    return np.asarray(np.minimum(log, middle + np.float32(GLINT) * spread), dtype=np.float32)


class MatchedFilter(SingleFrame):
    """Correlation with the shadow that optics predicts, whitened by the local noise spectrum.

    The score estimates the signal-to-noise ratio d′ of the ideal observer: `whitening` proposes places,
    `refit` measures them with the shadow taken out of its own noise.
    """

    name = "matched"
    version = "2"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the maxima of signal-to-noise ratio over place and grain size."""
        shadows = [s for s in profiles(photograph) if fitting([s.fwhm_px], photograph.shape)]
        parts = []
        for step in sorted({reduction(shadow.fwhm_px, least_px=LEAST_PX) for shadow in shadows}):
            here = [s for s in shadows if reduction(s.fwhm_px, least_px=LEAST_PX) == step]
            parts.append(_level(photograph, step, here))
        return kept(parts, photograph.shape)


def _level(photograph: Photograph, step: int, shadows: list[Profile]) -> Spots:
    picture = shrink(photograph, step)
    log, templates = without_glints(picture.log), [shadow.log(step) for shadow in shadows]
    score, which = whitened_snr(log, templates)
    widths = np.array([shadow.fwhm_px for shadow in shadows], dtype=np.float32)
    proposed = candidates(picture, score, widths[which], floor=FLOOR).strongest(most_candidates(photograph.shape))
    y, x = picture.from_photograph(proposed.y), picture.from_photograph(proposed.x)
    ratio, amplitude, best = refitted(log, y, x, templates=templates)
    return Spots(proposed.x, proposed.y, widths[best], ratio).take(amplitude > 0)
