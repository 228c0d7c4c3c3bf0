"""A grain of irregular outline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from .canvas import Canvas
from .mask import Outlined, require_between, require_positive
from .outline import area, blob
from .propagate import Drawing


@dataclass(frozen=True, slots=True)
class IrregularGrain(Outlined):
    """An opaque grain with a smooth random outline; its centre is the mean of the outline.

    Pollen and mineral grains alike are rendered opaque: what passes through a ball lens of 15–50 µm is
    spread so wide at the sensor that 1e-4 of it is left.

    Attributes
    ----------
    x_mm, y_mm
        Place on the filter from the optical axis.
    diameter_um
        Of the disk with the same area.
    aspect
        Long over short axis.
    roughness
        Standard deviation of the logarithm of the radius about the ellipse.
    angle_deg
        Of the long axis, from x to y.
    shape_seed
        Names the outline.
    """

    x_mm: float
    y_mm: float
    diameter_um: float
    aspect: float = 1.0
    roughness: float = 0.1
    angle_deg: float = 0.0
    shape_seed: int = 0

    solid: ClassVar[bool] = True
    kind: ClassVar[str] = "grain"

    def __post_init__(self) -> None:
        require_positive(self, "diameter_um")
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
        return float(self.diameter_um / np.sqrt(self.aspect))

    def draw(self, canvas: Canvas, wavelength_um: float) -> Drawing:
        """Return the covered share; all light on it is lost."""
        outline = self.outline()
        return Drawing(canvas.coverage(outline).astype(complex), area(outline), averaged=True)
