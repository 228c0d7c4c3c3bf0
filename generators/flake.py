"""A thin flake that lets part of the light through."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from .canvas import Canvas
from .mask import Outlined, require_between, require_positive
from .outline import area, blob
from .propagate import Drawing


@dataclass(frozen=True, slots=True)
class Flake(Outlined):
    """A flat flake of skin, paint or mica: t = t₀·exp(2πi·path/λ) on an irregular outline.

    Attributes
    ----------
    x_mm, y_mm
        Place on the filter from the optical axis.
    diameter_um
        Of the disk with the same area.
    amplitude
        t₀, the amplitude it passes; the share of light is t₀².
    path_um
        Optical path (n − 1)·thickness that it adds; 0 for none.
    aspect, roughness, angle_deg, shape_seed
        Of the outline, as for `IrregularGrain`.
    """

    x_mm: float
    y_mm: float
    diameter_um: float
    amplitude: float = 0.7
    path_um: float = 0.0
    aspect: float = 1.4
    roughness: float = 0.15
    angle_deg: float = 0.0
    shape_seed: int = 0

    solid: ClassVar[bool] = True
    kind: ClassVar[str] = "flake"

    def __post_init__(self) -> None:
        require_positive(self, "diameter_um")
        require_between(self, "amplitude", 0.0, 1.0)
        require_between(self, "path_um", -20.0, 20.0)
        require_between(self, "aspect", 1.0, 9.0)
        require_between(self, "roughness", 0.0, 0.4)

    def outline(self) -> NDArray[np.float64]:
        """Return its corners (n, 2) in µm about its place."""
        rng = np.random.default_rng(self.shape_seed)
        return blob(self.diameter_um, aspect=self.aspect, roughness=self.roughness, angle_deg=self.angle_deg, rng=rng)

    @property
    def size_um(self) -> float:
        """Diameter of the disk with the same area."""
        return self.diameter_um

    @property
    def feature_um(self) -> float:
        """The short axis."""
        return self.diameter_um / math.sqrt(self.aspect)

    @property
    def wavelengths(self) -> int:
        """A path is a phase that turns with the wavelength."""
        return 1 if self.path_um else 0

    def draw(self, canvas: Canvas, wavelength_um: float) -> Drawing:
        """Return 1 − t on the covered share."""
        outline = self.outline()
        t = self.amplitude * cmath.exp(2j * math.pi * self.path_um / wavelength_um)
        return Drawing(
            np.asarray((1 - t) * canvas.coverage(outline), dtype=complex),
            area(outline) * (1 - self.amplitude**2),
            averaged=True,
        )
