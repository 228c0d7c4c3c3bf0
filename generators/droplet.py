"""A droplet of oil: a lens on the filter."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from .bands import RGB_BANDS
from .canvas import Canvas
from .mask import Drawn, require_between, require_positive
from .propagate import Drawing

_DISPERSION_UM2 = 0.0045
"""B of Cauchy's n = A + B/λ² for mineral oils (from memory)."""

_D_LINE_UM = 0.5876
_SAMPLES_A_TURN = 2.5
"""Samples for each turn of the phase where it is steepest; two would alias."""


@dataclass(frozen=True, slots=True)
class Droplet(Drawn):
    """A clear spherical cap: t = exp(2πi(n − 1)h(r)/λ), no light lost, only moved.

    h(r) = √(ρ² − r²) − ρ cos α with ρ = a/sin α. Flat caps gather light to a bright core with a dark rim;
    steep ones focus before the sensor and turn dark in the middle.

    Attributes
    ----------
    x_mm, y_mm
        Place of its centre on the filter from the optical axis.
    radius_um
        a, of its foot.
    contact_angle_deg
        α, of its surface with the glass at the rim.
    index
        n at 0.5876 µm.
    """

    x_mm: float
    y_mm: float
    radius_um: float
    contact_angle_deg: float = 6.0
    index: float = 1.46

    solid: ClassVar[bool] = True
    kind: ClassVar[str] = "droplet"

    def __post_init__(self) -> None:
        require_positive(self, "radius_um")
        require_between(self, "contact_angle_deg", 0.1, 45.0)
        require_between(self, "index", 1.0, 2.0)

    @property
    def size_um(self) -> float:
        """The diameter of its foot."""
        return 2 * self.radius_um

    @property
    def extent_um(self) -> float:
        """The diameter of its foot."""
        return 2 * self.radius_um

    @property
    def reach_um(self) -> tuple[float, float]:
        """Its radius both ways."""
        return self.radius_um, self.radius_um

    @property
    def feature_um(self) -> float:
        """Its diameter: the fine fringes are the affair of `bend_rad`."""
        return 2 * self.radius_um

    @property
    def bend_rad(self) -> float:
        """(n − 1) tan α: the deflection of rays at the rim, for thin caps."""
        return (self.index - 1) * math.tan(math.radians(self.contact_angle_deg))

    @property
    def finest_pitch_um(self) -> float:
        """A part of the distance over which the phase turns once at the rim."""
        shortest = RGB_BANDS[-1].centre_um - RGB_BANDS[-1].half_width_um
        return shortest / (_SAMPLES_A_TURN * self.bend_rad) if self.bend_rad > 0 else math.inf

    @property
    def wavelengths(self) -> int:
        """A phase turns with the wavelength."""
        return 3

    def draw(self, canvas: Canvas, wavelength_um: float) -> Drawing:
        """Return 1 − exp(iφ), zero outside the foot, where the cap ends at no height."""
        sphere = self.radius_um / math.sin(math.radians(self.contact_angle_deg))
        squared = canvas.x_um**2 + canvas.y_um**2
        inside = squared < self.radius_um**2
        floor = math.sqrt(sphere**2 - self.radius_um**2)
        height = np.sqrt(sphere**2 - squared[inside]) - floor
        index = self.index + _DISPERSION_UM2 * (wavelength_um**-2 - _D_LINE_UM**-2)
        stopped = np.zeros(canvas.shape, dtype=complex)
        stopped[inside] = 1 - np.exp(2j * math.pi * (index - 1) / wavelength_um * height)
        return Drawing(stopped, 0.0)
