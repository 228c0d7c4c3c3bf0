"""How wide shadows can be in a photograph, from its aperture and pixel pitch."""

from __future__ import annotations

import math

from ..generators.optics import exact_f_number
from .contract import Photograph

FILTER_DISTANCE_MM = 1.0
"""Nominal air-equivalent distance from the dusty face to the photosites, where nobody knows better."""

DISTANCE_SLACK = math.sqrt(2)
"""Real distances are taken to lie within this factor of the nominal one: 0.7–1.4 mm."""

PIXEL_UM = 6.0
"""Pitch taken where the file does not say: 24 megapixels on 36 × 24 mm."""

GRAIN_UM = (15.0, 100.0)
"""Grain diameters looked for: smaller ones are too faint, larger ones too rare to shape a method."""

WIDEST_AND_SMALLEST = (5.6, 22.0)
"""Range swept where the f-number is unknown: wider apertures hide dust, smaller ones are hardly used."""


def pixel_pitch_um(photograph: Photograph) -> float:
    """Return the pitch in µm, or the nominal one where it is unknown or not a positive number."""
    pitch = photograph.pixel_um
    return pitch if pitch is not None and 0 < pitch < math.inf else PIXEL_UM


def known_f_number(photograph: Photograph) -> float | None:
    """Return the f-number as marked, or None where it is unknown or not a positive number."""
    marked = photograph.f_number
    return marked if marked is not None and 0 < marked < math.inf else None


def fwhm_range_px(photograph: Photograph) -> tuple[float, float]:
    """Return the least and greatest full width at half depth that a shadow can have, in pixels.

    A grain of diameter p at distance d casts a shadow about max(p, d/N) wide, N the f-number: the grain
    spread over the pupil's disk of diameter d/N, or the other way round (geometrical optics).

    >>> import numpy as np
    >>> grey = Photograph(np.zeros((8, 8, 3), np.uint8), f_number=8, pixel_um=5.0)
    >>> [round(width, 1) for width in fwhm_range_px(grey)]
    [17.7, 35.4]
    """
    known = known_f_number(photograph)
    numbers = [exact_f_number(number) for number in (WIDEST_AND_SMALLEST if known is None else (known,))]
    pitch = pixel_pitch_um(photograph)
    nearest = 1000.0 * FILTER_DISTANCE_MM / DISTANCE_SLACK / max(numbers)
    farthest = 1000.0 * FILTER_DISTANCE_MM * DISTANCE_SLACK / min(numbers)
    return max(GRAIN_UM[0], nearest) / pitch, max(GRAIN_UM[1], farthest) / pitch


def ladder(low: float, high: float, *, ratio: float = math.sqrt(2)) -> tuple[float, ...]:
    """Return geometric steps from `low` to `high`, both included, no two further apart than `ratio`.

    >>> ladder(4.0, 16.0, ratio=2.0)
    (4.0, 8.0, 16.0)
    """
    steps = max(0, math.ceil(math.log(high / low) / math.log(ratio) - 1e-9))
    return tuple(low * (high / low) ** (i / max(steps, 1)) for i in range(steps + 1))


HALVED_FROM_PX = 5.0
"""Shadows this wide are still looked for in the halved picture: a quarter of the work and of the memory."""


def reduction(fwhm_px: float, *, least_px: float = 4.0) -> int:
    """Return the power of two by which a picture may be shrunk and leave a shadow `least_px` wide.

    Halving is allowed down to `HALVED_FROM_PX`, and shrinking ends at 8.

    >>> [reduction(width) for width in (4, 5, 9, 20, 60)]
    [1, 2, 2, 4, 8]
    """
    most = int(2 ** min(3, max(0, math.floor(math.log2(fwhm_px / least_px)))))
    return max(most, 2 if fwhm_px >= HALVED_FROM_PX else 1)
