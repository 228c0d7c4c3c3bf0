"""A scratch in the filter's face."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from .canvas import Canvas
from .mask import Outlined, require_between, require_positive
from .outline import turned
from .propagate import Drawing

GLASS_INDEX = 1.5168
"""n_d of N-BK7, glass catalogue data."""

_BLUE_UM = 0.465
_FINEST_UM = 1.2
_STEPS = 257
"""Points across the groove at which its amplitude is summed."""


@dataclass(frozen=True, slots=True)
class Scratch(Outlined):
    """A straight V-shaped groove: its flanks are prisms that throw light to both sides, its bottom scatters.

    t = √T·exp(−2πi(n − 1)h(v)/λ) across the groove, h(v) = depth·(1 − 2|v|/width). Dark line, bright flanks,
    square ends.

    Attributes
    ----------
    x_mm, y_mm
        Place of its middle on the filter from the optical axis.
    width_um, length_um
        Of the groove.
    transmission
        T, the share of light on it that is not scattered away.
    groove_um
        Depth of the groove.
    angle_deg
        Of its length, from x to y.
    """

    x_mm: float
    y_mm: float
    width_um: float
    length_um: float
    transmission: float = 0.5
    groove_um: float = 0.3
    angle_deg: float = 0.0

    kind: ClassVar[str] = "scratch"

    def __post_init__(self) -> None:
        require_positive(self, "width_um", "length_um")
        require_between(self, "transmission", 0.0, 1.0)
        require_between(self, "groove_um", 0.0, 5.0)

    def outline(self) -> NDArray[np.float64]:
        """Return its four corners in µm about its place."""
        a, b = self.length_um / 2, self.width_um / 2
        return turned(np.array([[-a, -b], [a, -b], [a, b], [-a, b]]), self.angle_deg)

    @property
    def size_um(self) -> float:
        """Its width."""
        return self.width_um

    @property
    def feature_um(self) -> float:
        """Its width."""
        return self.width_um

    @property
    def finest_pitch_um(self) -> float:
        """Fine enough to carry the light that the flanks bend, but no finer than 1.2 µm: the rest flies far."""
        return max(_FINEST_UM, 0.4 * _BLUE_UM / self.bend_rad) if self.groove_um else math.inf

    @property
    def bend_rad(self) -> float:
        """(n − 1) times the slope of the flanks."""
        return (GLASS_INDEX - 1) * 2 * self.groove_um / self.width_um

    @property
    def wavelengths(self) -> int:
        """A groove is a phase that turns with the wavelength, by less than a turn in all."""
        return 1 if self.groove_um else 0

    def draw(self, canvas: Canvas, wavelength_um: float) -> Drawing:
        """Return 1 − t averaged over each sample, across and along on their own: grooves may be finer than samples."""
        from scipy.integrate import cumulative_trapezoid  # slow to import

        c, s = math.cos(math.radians(self.angle_deg)), math.sin(math.radians(self.angle_deg))
        along, across = canvas.x_um * c + canvas.y_um * s, canvas.y_um * c - canvas.x_um * s
        half, pitch = self.width_um / 2, canvas.pitch_um
        v = np.linspace(-half, half, _STEPS)
        height = self.groove_um * (1 - np.abs(v) / half)
        phase = -2 * math.pi * (GLASS_INDEX - 1) / wavelength_um * height
        stopped = 1 - math.sqrt(self.transmission) * np.exp(1j * phase)
        running = np.asarray(cumulative_trapezoid(stopped, v, initial=0), dtype=np.complex128)
        mean = (np.interp(across + pitch / 2, v, running) - np.interp(across - pitch / 2, v, running)) / pitch
        end = self.length_um / 2
        share = (np.clip(along + pitch / 2, -end, end) - np.clip(along - pitch / 2, -end, end)) / pitch
        return Drawing(mean * share, self.width_um * self.length_um * (1 - self.transmission), averaged=True)
