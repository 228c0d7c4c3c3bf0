"""The ring that a drop leaves when it dries."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from .canvas import Canvas
from .mask import Drawn, require_between, require_positive
from .outline import CORNERS, wobble
from .propagate import Drawing

FloatArray = NDArray[np.float64]

_THICKNESS_SPREAD, _DEPTH_SPREAD = 0.3, 0.35
"""Spread of the line's log width and of its relative depth along the ring (invented for this benchmark)."""


@dataclass(frozen=True, slots=True)
class Ring(Drawn):
    """What was dissolved gathers at the rim of a drying drop: a thin grey line around a faint film.

    Attributes
    ----------
    x_mm, y_mm
        Place of its centre on the filter from the optical axis. The centre itself is clear.
    radius_um, width_um
        Mean radius and width of the line.
    transmission
        Mean share of light that the line lets through.
    irregularity
        Standard deviation of the logarithm of the radius; 0 makes a perfect ring of even line.
    film_path_um
        Optical path of the film inside, at the rim; it thins out towards the centre as (r/R)⁴.
    shape_seed
        Names the outline.
    """

    x_mm: float
    y_mm: float
    radius_um: float
    width_um: float = 8.0
    transmission: float = 0.5
    irregularity: float = 0.0
    film_path_um: float = 0.0
    shape_seed: int = 0

    kind: ClassVar[str] = "ring"

    def __post_init__(self) -> None:
        require_positive(self, "radius_um", "width_um")
        require_between(self, "transmission", 0.0, 1.0)
        require_between(self, "irregularity", 0.0, 0.2)
        require_between(self, "film_path_um", -1.0, 1.0)
        if self.width_um > self.radius_um:
            raise ValueError(f"Ring.width_um must not exceed radius_um, not {self.width_um} and {self.radius_um}")

    def _profile(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return angle, middle radius, line width and line transmission around the ring."""
        theta = 2 * math.pi * np.arange(CORNERS) / CORNERS
        rng, even = np.random.default_rng(self.shape_seed), self.irregularity == 0
        radius = self.radius_um * np.exp(wobble(theta, strength=self.irregularity, fall=1.6, rng=rng))
        spread = 0.0 if even else _THICKNESS_SPREAD
        width = self.width_um * np.exp(wobble(theta, strength=spread, fall=0.7, rng=rng))
        depth = 1 + wobble(theta, strength=0.0 if even else _DEPTH_SPREAD, fall=0.7, rng=rng)
        return theta, radius, width, 1 - np.clip((1 - self.transmission) * depth, 0.0, 1.0)

    @property
    def size_um(self) -> float:
        """Its mean diameter."""
        return 2 * self.radius_um

    @property
    def extent_um(self) -> float:
        """Its outer diameter."""
        _, radius, width, _ = self._profile()
        return 2 * float(np.max(radius + width / 2))

    @property
    def reach_um(self) -> tuple[float, float]:
        """Largest |x| and |y|."""
        return self.extent_um / 2, self.extent_um / 2

    @property
    def feature_um(self) -> float:
        """The line's width."""
        return self.width_um

    @property
    def wavelengths(self) -> int:
        """A film is a phase that turns with the wavelength."""
        return 1 if self.film_path_um else 0

    def draw(self, canvas: Canvas, wavelength_um: float) -> Drawing:
        """Return 1 − t of line and film."""
        theta, radius, width, light = self._profile()
        ray = np.column_stack([np.cos(theta), np.sin(theta)])
        outer, inner = ((radius + sign * width / 2)[:, None] * ray for sign in (1, -1))
        line = canvas.coverage(outer, inner[::-1])
        stopped = np.zeros(canvas.shape, dtype=complex)
        rows, columns = np.nonzero(line)
        angle = np.arctan2(canvas.y_um[rows, 0], canvas.x_um[0, columns])
        passed = np.interp(angle, theta, light, period=2 * math.pi)
        share = line[rows, columns]
        stopped[rows, columns] = (1 - np.sqrt(passed)) * share
        if self.film_path_um:
            stopped += self._film(canvas, inner, wavelength_um)
        return Drawing(stopped, float(np.sum(share * (1 - passed))) * canvas.pitch_um**2, averaged=True)

    def _film(self, canvas: Canvas, inner: FloatArray, wavelength_um: float) -> NDArray[np.complex128]:
        thickness = ((canvas.x_um**2 + canvas.y_um**2) / self.radius_um**2) ** 2
        phase = (2 * math.pi * self.film_path_um / wavelength_um) * thickness
        return np.asarray((1 - np.exp(1j * phase)) * canvas.coverage(inner))
