"""The shadows that optics predicts, as templates in log luminance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from ..generators.optics import Optics
from ..generators.shadow import stamp
from .contract import LUMINANCE_WEIGHTS, FloatArray, Photograph
from .optical_scales import FILTER_DISTANCE_MM, known_f_number, pixel_pitch_um

DEEPEST = 0.02
"""Transmission under the logarithm; the residual light in an umbra (Arago's spot) is about this."""

UNKNOWN_F_NUMBERS = (5.6, 11.0, 22.0)
"""Swept where the f-number is unknown: two stops apart, so that none between is more than one stop off."""

GRAINS_UM = (20.0, 45.0, 100.0)
"""Diameters whose shadows stand for all. Small grains matter at wide apertures too, where the wave model
gives them a ring: without those under half of d/N average precision in synthetic sky fell from 0.82 to 0.62,
while twice as many diameters gained nothing."""

FINE_GRAINS_UM = (20.0, 32.0, 45.0, 60.0, 75.0, 100.0, 130.0)
"""Diameters for a second look: the logarithm of a deep shadow is peaked, and one fitted with its neighbour's size
leaves a rim behind that reads as noise."""


@dataclass(frozen=True, slots=True)
class Profile:
    """One grain's shadow.

    Attributes
    ----------
    diameter_um
        Diameter of the grain.
    optics
        What casts the shadow.
    """

    diameter_um: float
    optics: Optics

    @property
    def fwhm_px(self) -> float:
        """Full width at half depth in pixels of the photograph, max(p, d/N) over the pitch."""
        return max(self.diameter_um, self.optics.blur_um) / self.optics.pixel_um

    def log(self, step: int) -> FloatArray:
        """Return ln T in luminance on a grid of `step` photograph pixels, float32 (n, n), n odd, centred."""
        return _log_transmission(self, step)


@lru_cache(maxsize=64)
def _log_transmission(profile: Profile, step: int) -> FloatArray:
    optics = replace(profile.optics, pixel_um=profile.optics.pixel_um * step)
    transmission = np.tensordot(LUMINANCE_WEIGHTS, stamp(profile.diameter_um, optics), axes=1)
    log = np.asarray(np.log(np.maximum(transmission, DEEPEST)), dtype=np.float32)
    log.flags.writeable = False
    return log


def profiles(photograph: Photograph, *, grains_um: Sequence[float] = GRAINS_UM) -> list[Profile]:
    """Return the shadows of grains of these diameters at the photograph's f-number.

    Where it is unknown, at each of `UNKNOWN_F_NUMBERS`.
    """
    pitch = pixel_pitch_um(photograph)
    known = known_f_number(photograph)
    numbers = UNKNOWN_F_NUMBERS if known is None else (known,)
    seen = [Optics(f_number=n, filter_distance_mm=FILTER_DISTANCE_MM, pixel_um=pitch) for n in numbers]
    return [Profile(diameter, optics) for optics in seen for diameter in grains_um]
