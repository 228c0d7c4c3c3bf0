"""Normalised correlation with the shadow that optics predicts."""

from __future__ import annotations

import numpy as np

from ..generators.cv import cv2
from .contract import FloatArray, Photograph, SingleFrame, Spots
from .optical_scales import reduction
from .picture import shrink
from .profiles import profiles
from .scan import candidates, fitting, kept, strongest

FLOOR = 0.15
"""Correlation under which nothing is a candidate; noise alone passes it in most windows of 15 × 15."""

LEAST_VARIANCE = 1e-7
"""Mean square of a window under which its correlation is taken as zero: rounding of float32 over a plain area
would read as pattern. A shadow of 0.1 % depth over a tenth of the window reaches it."""


def correlation(log: FloatArray, template: FloatArray) -> FloatArray:
    """Return Pearson's correlation of the template with each window, (h, w); reflecting borders.

    Windows that are plain, or that the template is too large for, have none: 0.
    """
    side = template.shape[0]
    margin = side // 2
    if min(log.shape) <= margin:
        return np.zeros_like(log)
    wide = cv2.copyMakeBorder(log - log.mean(), *(margin,) * 4, cv2.BORDER_REFLECT)
    match = cv2.matchTemplate(wide, template, cv2.TM_CCOEFF_NORMED)
    match[~np.isfinite(match) | (_variance(wide, side) < LEAST_VARIANCE)] = 0
    return np.asarray(np.clip(match, -1, 1), dtype=np.float32)


def _variance(wide: FloatArray, side: int) -> FloatArray:
    inner = slice(side // 2, -(side // 2) or None)
    mean = cv2.blur(wide, (side, side))[inner, inner]
    square = cv2.sqrBoxFilter(wide, cv2.CV_32F, (side, side))[inner, inner]
    return np.asarray(square - mean**2)


class Template(SingleFrame):
    """Normalised correlation (OpenCV) over grain sizes.

    The score is the correlation itself: of six ways to bring in the contrast (times it, raw or in units of
    noise, geometric mean, smoothing before) each found less, for a high contrast is what textures have.
    """

    name = "template"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the maxima over place and grain size."""
        shadows = [s for s in profiles(photograph) if fitting([s.fwhm_px], photograph.shape)]
        parts = []
        for step in sorted({reduction(shadow.fwhm_px) for shadow in shadows}):
            picture = shrink(photograph, step)
            here = [shadow for shadow in shadows if reduction(shadow.fwhm_px) == step]
            maps = ((correlation(picture.log, s.log(step)), s.fwhm_px) for s in here)
            parts.append(candidates(picture, *strongest(maps), floor=FLOOR))
        return kept(parts, photograph.shape)
