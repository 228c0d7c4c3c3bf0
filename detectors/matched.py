"""The matched filter: the linear ideal observer, given the shadow's profile and the local noise."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..generators.cv import cv2
from .contract import FloatArray, Photograph, SingleFrame, Spots
from .dog import SIGMA_PER_FWHM, difference_of_gaussians
from .noise import WINDOW, in_noise_units, local_level
from .optical_scales import reduction
from .peaks import joined, most_candidates
from .picture import Picture, shrink
from .profiles import FINE_GRAINS_UM, Profile, profiles
from .refit import refitted
from .scan import candidates, fitting, kept
from .whitening import whitened_snr

FLOOR = 2.0
"""Signal-to-noise ratio under which nothing is a candidate."""

PLAIN = 4.0
"""Local standard deviations by which a plain spot stands out."""

COARSE_GRAINS_UM = (28.0, 100.0)
"""Diameters for the first look. A third between them took an eighth of the time and found no more."""

PROMISING = 2
"""Of the templates of the second look, so many are fitted with the shadow taken out: of all seven, average precision
is the same within 0.0006 on every ground, for twice the time."""

SECOND_LOOKS = 0.4
"""Share of the candidates that a method may report which get a second look. All of them would take three times
as long and gained nothing measurable."""

LEAST_PX = 5.0
"""Wide shadows are left 5–10 px in the shrunken picture. Under tiles of 32 px that found as much as 8–16 px did under
tiles of 48, in a third of the time; a limit of 4 px cost 0.02 in clear sky at f/22, and looking first in a picture
half as large again 0.04 in snow there."""

SIDE, HOP = 32, 24
"""Side of the tiles, three to six shadows, and how far apart they lie. Narrower than the 48 px that `whitening` takes,
they follow rocks in snow better (0.08 instead of 0.05) and lose nothing elsewhere; with a quarter of overlap in place
of a half, under half the transforms find as much."""

GLINT = 2.0
"""Excess over the local mean, in local standard deviations, at which brightness is cut: dust only darkens
(its bright rim by a few per cent), while one snow crystal's glint rings through a whole tile."""


def without_glints(log: FloatArray) -> FloatArray:
    """Return log luminance cut at `GLINT` local standard deviations above the local mean."""
    middle, spread = local_level(log)
    spread *= np.float32(GLINT)
    spread += middle
    return np.minimum(log, spread, out=spread)


class MatchedFilter(SingleFrame):
    """Correlation with the shadow that optics predicts, whitened by the local noise spectrum.

    The score estimates the signal-to-noise ratio d′ of the ideal observer: `whitening` proposes places,
    `refit` measures them with the shadow taken out of its own noise.
    """

    name = "matched"
    version = "7"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the maxima of signal-to-noise ratio over place and grain size."""
        coarse = _by_step(profiles(photograph, grains_um=COARSE_GRAINS_UM), photograph)
        fine = _by_step(profiles(photograph, grains_um=FINE_GRAINS_UM), photograph)
        parts = [_level(photograph, step, some, fine=fine.get(step, some)) for step, some in sorted(coarse.items())]
        return kept(parts, photograph.shape)


def _by_step(shadows: Sequence[Profile], photograph: Photograph) -> dict[int, list[Profile]]:
    """Return the shadows that the frame has room for, by the shrinking at which they are looked for."""
    found: dict[int, list[Profile]] = {}
    for shadow in shadows:
        if fitting([shadow.fwhm_px], photograph.shape):
            found.setdefault(reduction(shadow.fwhm_px, least_px=LEAST_PX), []).append(shadow)
    return found


def _level(photograph: Photograph, step: int, coarse: Sequence[Profile], *, fine: Sequence[Profile]) -> Spots:
    picture = shrink(photograph, step)
    log = without_glints(picture.log)
    score, which = whitened_snr(log, [shadow.log(step) for shadow in coarse], side=SIDE, hop=HOP)
    most = math.ceil(SECOND_LOOKS * most_candidates(photograph.shape))
    proposed = joined(
        [
            candidates(picture, score, _numbered(which, _widths(coarse)), floor=FLOOR).strongest(most),
            _plain(_halved(picture), _half(log), float(_widths(coarse).min())).strongest(most // 4),
        ]
    )
    y, x = picture.from_photograph(proposed.y), picture.from_photograph(proposed.x)
    fit = refitted(log, (y, x), templates=[shadow.log(step) for shadow in fine], side=SIDE, promising=PROMISING)
    places = picture.to_photograph(fit.x), picture.to_photograph(fit.y)
    return Spots(*places, _widths(fine)[fit.which], fit.ratio).take(fit.amplitude > 0)


def _plain(picture: Picture, log: FloatArray, width_px: float) -> Spots:
    """Return the places that are plainly darker than their surroundings, by a difference of Gaussians.

    The whitened response of a deep shadow has its peak beside the centre, at times too far to be mended.
    """
    response = difference_of_gaussians(log, SIGMA_PER_FWHM * width_px / picture.step)
    response = in_noise_units(response, window=WINDOW // 2)
    return candidates(picture, response, np.broadcast_to(np.float32(width_px), response.shape), floor=PLAIN)


def _halved(picture: Picture) -> Picture:
    return Picture(_half(picture.log), 2 * picture.step)


def _half(log: FloatArray) -> FloatArray:
    """Return a map at half its size, an odd last row or column left out."""
    rows, columns = (side // 2 for side in log.shape)
    shrunk = cv2.resize(log[: 2 * rows, : 2 * columns], (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(shrunk, dtype=np.float32)


def _numbered(which: NDArray[np.uint8], widths: FloatArray) -> FloatArray:
    """Return the width that each place's number stands for, as `widths[which]` does in three times the time."""
    return np.asarray(cv2.LUT(which, np.resize(widths, 256)), dtype=np.float32)


def _widths(shadows: Sequence[Profile]) -> FloatArray:
    return np.array([shadow.fwhm_px for shadow in shadows], dtype=np.float32)
