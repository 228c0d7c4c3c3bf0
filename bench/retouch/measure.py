"""One repaired place against the clean original: what is still seen, what was harmed, what became of the texture."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import DARKEST, LUMINANCE_WEIGHTS
from ...generators.cv import cv2
from ...generators.transfer import decode, srgb_encode
from ..masking import FWHM_PER_SIGMA
from ..repairs.contract import REACH, Window, changed, disc, window_about
from .observer import difference_visibility
from .original import Original

BoolArray = NDArray[np.bool_]

CLEAN = 0.005
"""Depth of a shadow from which ground is not clean: a third of a code of eight bits at middle grey."""

NOTICED = 1.0
"""CIEDE2000 difference from which two colours side by side are told apart (common practice)."""

GROUND = 3.0
"""Half the side of the ground against which a contrast is taken, in widths of the spot."""

FINE = 0.25
"""Texture is what is finer than this share of a spot's width."""


def difference_seen(
    pixels: NDArray[Any], original: NDArray[Any], spot: tuple[float, float, float], *, encoding: str, ppd: float
) -> float:
    """Return how plainly a place differs from the original, in thresholds of contrast; see `difference_visibility`.

    Parameters
    ----------
    pixels, original
        File codes of two pictures of one size.
    spot
        x, y and full width at half depth, in pixels; what lies within `REACH` half widths is compared.
    ppd
        Pixels per degree of visual angle.
    """
    x, y, width = spot
    window = window_about((pixels.shape[0], pixels.shape[1]), (x, y), GROUND * width)
    here, there = (decode(codes[window], encoding) @ LUMINANCE_WEIGHTS for codes in (pixels, original))
    core = disc(window, (x, y), REACH * width / 2)
    contrast = np.where(core, here - there, 0) / max(float(there.mean()), DARKEST)
    gaze = (x - window[1].start, y - window[0].start)
    return difference_visibility(contrast, gaze, pixels_per_degree=ppd)


def texture_variances(
    pixels: NDArray[Any], original: NDArray[Any], spot: tuple[float, float, float], *, encoding: str
) -> tuple[float, float]:
    """Return the variance of fine log luminance inside a spot's half depth, repaired and original."""
    x, y, width = spot
    window = window_about((pixels.shape[0], pixels.shape[1]), (x, y), 2 * width)
    core = disc(window, (x, y), width / 2)
    found = []
    for codes in (pixels, original):
        log = np.log(np.maximum(decode(codes[window], encoding) @ LUMINANCE_WEIGHTS, DARKEST))
        sigma = max(1.0, FINE * width / FWHM_PER_SIGMA * 2)
        fine = log - cv2.GaussianBlur(log, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101)
        found.append(float(np.var(fine[core])) if core.any() else float("nan"))
    return found[0], found[1]


def harmed(
    pixels: NDArray[Any], before: NDArray[Any], original: Original, *, window: Window, encoding: str
) -> BoolArray:
    """Return which pixels of a window were clean, were changed, and now differ from the original by ΔE00 > `NOTICED`.

    Parameters
    ----------
    pixels, before
        File codes after and before the repair.
    """
    new, old = pixels[window], before[window]
    wrong = np.asarray((original.depth[window] < CLEAN) & changed(new, old))
    if wrong.any():
        right = original.pixels[window][wrong]
        wrong[wrong] = colour_difference(new[wrong], right, encoding=encoding) > NOTICED
    return wrong


def colour_difference(one: NDArray[Any], other: NDArray[Any], *, encoding: str) -> NDArray[np.float64]:
    """Return CIEDE2000 of file codes (n, 3), sRGB under D65.

    G. Sharma, W. Wu & E. N. Dalal, 'The CIEDE2000 color-difference formula', Color Research & Application 30 (2005) 21,
    as scikit-image computes it.
    """
    from skimage.color import deltaE_ciede2000, rgb2lab  # slow to import

    first, second = (rgb2lab(_srgb(codes, encoding)[None])[0] for codes in (one, other))
    return np.asarray(deltaE_ciede2000(first, second))


def _srgb(codes: NDArray[Any], encoding: str) -> NDArray[np.float64]:
    if encoding == "srgb":
        return codes / np.iinfo(codes.dtype).max
    return srgb_encode(decode(codes, encoding))
