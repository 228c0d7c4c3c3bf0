"""The camera's optics as a grain on the filter sees them: aperture, filter distance, exit pupil, pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

_THIRD_STOPS = {  # marked: third-stop number k, the exact value being 2^(k/6)
    1.0: 0, 1.1: 1, 1.2: 2, 1.4: 3, 1.6: 4, 1.8: 5, 2.0: 6, 2.2: 7, 2.5: 8, 2.8: 9, 3.2: 10, 3.5: 11,
    4.0: 12, 4.5: 13, 5.0: 14, 5.6: 15, 6.3: 16, 7.1: 17, 8.0: 18, 9.0: 19, 10.0: 20, 11.0: 21, 13.0: 22,
    14.0: 23, 16.0: 24, 18.0: 25, 20.0: 26, 22.0: 27, 25.0: 28, 29.0: 29, 32.0: 30, 36.0: 31, 40.0: 32,
    45.0: 33, 51.0: 34, 57.0: 35, 64.0: 36,
}  # fmt: skip


def exact_f_number(marked: float) -> float:
    """Return the f-number that a marking stands for: 2^(k/6) for third stops, else the value itself.

    Markings are rounded by custom (common practice): 11 stands for 2^3.5 = 11.3137.

    >>> round(exact_f_number(5.6), 4), exact_f_number(8), exact_f_number(9.5)
    (5.6569, 8.0, 9.5)
    """
    step = _THIRD_STOPS.get(round(float(marked), 2))
    return float(marked) if step is None else 2.0 ** (step / 6)


def working_f_number(f_number: float, *, magnification: float, pupil_ratio: float = 1.0) -> float:
    """Return N·(1 + m/P): the cone of light narrows close up. P is exit over entrance pupil diameter."""
    return f_number * (1 + magnification / pupil_ratio)


@dataclass(frozen=True, slots=True)
class Optics:
    """One exposure's optics.

    Attributes
    ----------
    f_number
        As marked; `exact_f_number` is what it stands for.
    filter_distance_mm
        Air-equivalent distance Σ tᵢ/nᵢ from the dusty face to the photosites. Reduced glass thickness of
        published stacks is 0.66–2.64 mm, air gaps come on top; 0.5–3 mm is the range modelled here.
    exit_pupil_mm
        From the sensor to the lens's exit pupil.
    blades
        0 for a round diaphragm, else the number of straight blades (3 or more).
    blade_angle_deg
        Turn of the first corner from the x axis.
    pixel_um
        Pitch of the photosites; their whole square collects light.
    """

    f_number: float = 11.0
    filter_distance_mm: float = 1.0
    exit_pupil_mm: float = 60.0
    blades: int = 0
    blade_angle_deg: float = 0.0
    pixel_um: float = 6.0

    def __post_init__(self) -> None:
        for name in ("f_number", "filter_distance_mm", "exit_pupil_mm", "pixel_um"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"Optics.{name} must be a positive number, not {value!r}")
        if self.blades != 0 and self.blades < 3:
            raise ValueError(f"Optics.blades must be 0 (round) or at least 3, not {self.blades}")
        if self.exit_pupil_mm <= self.filter_distance_mm:
            raise ValueError(
                f"Optics.exit_pupil_mm ({self.exit_pupil_mm}) must exceed filter_distance_mm "
                f"({self.filter_distance_mm}): the pupil is on the far side of the filter"
            )

    @property
    def exact_f_number(self) -> float:
        """The f-number without the rounding of its marking."""
        return exact_f_number(self.f_number)

    @property
    def distance_um(self) -> float:
        """The filter distance in µm."""
        return 1000.0 * self.filter_distance_mm

    @property
    def blur_um(self) -> float:
        """Diameter d/N of the pupil projected from a point of the filter onto the sensor, in µm."""
        return self.distance_um / self.exact_f_number

    @property
    def magnification(self) -> float:
        """Ratio 1/(1 − d/L) of a shadow's place on the sensor to its grain's place on the filter.

        The ray from the pupil's centre through x₀ on the filter lands at x₀/(1 − d/L): an outward shift
        of about d·x₀/L, nothing at the centre.
        """
        return 1.0 / (1.0 - self.filter_distance_mm / self.exit_pupil_mm)
