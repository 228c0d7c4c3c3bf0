"""What lies on the filter: grains, and the populations they are drawn from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

from .optics import Optics
from .shadow import Shadow, cast

FloatArray = NDArray[np.float64]

CLEANED_SLOPE = 0.926
"""Slope of the log–log² law for cleaned hardware, IEST-STD-CC1246 / MIL-STD-1246C."""

FALLOUT_SLOPE = 0.38
"""Slope for dust that fell out of the air, with more large grains (from memory)."""

_UNIT_AREA_MM2 = 1e5
"""The law counts per 0.1 m², which is 1e5 mm² (revision D; per square foot before)."""


@dataclass(frozen=True, slots=True)
class Grain:
    """An opaque grain on the filter.

    Attributes
    ----------
    x_mm, y_mm
        Place on the filter from the optical axis, x to the right and y down as in the picture.
    diameter_um
        Diameter of its disk.
    """

    x_mm: float
    y_mm: float
    diameter_um: float

    kind: ClassVar[str] = "grain"

    @property
    def size_um(self) -> float:
        """Its diameter."""
        return self.diameter_um

    @property
    def extent_um(self) -> float:
        """Its diameter."""
        return self.diameter_um

    @property
    def reach_um(self) -> tuple[float, float]:
        """Its radius both ways."""
        return self.diameter_um / 2, self.diameter_um / 2

    def shadow(self, optics: Optics, *, x: float, y: float) -> Shadow:
        """Return the shadow with the centre on (x, y) in pixels of the frame, from the disk's own spectrum."""
        return cast(self.diameter_um, optics, x=x, y=y)


class Particle(Protocol):
    """Anything on the filter: what the frame needs to know of it.

    Its place is its own centre, of a fibre the middle of its length; labels use it too.
    """

    kind: ClassVar[str]

    def __hash__(self) -> int:
        """Return what equal particles share: they are frozen values, and cast the same shadow."""
        ...

    @property
    def x_mm(self) -> float:
        """Place on the filter from the optical axis, to the right."""
        ...

    @property
    def y_mm(self) -> float:
        """Place on the filter from the optical axis, down."""
        ...

    @property
    def size_um(self) -> float:
        """Diameter, or the width of a line."""
        ...

    @property
    def extent_um(self) -> float:
        """Greatest distance between two of its points."""
        ...

    @property
    def reach_um(self) -> tuple[float, float]:
        """Largest |x| and |y| of its points from its place."""
        ...

    def shadow(self, optics: Optics, *, x: float, y: float) -> Shadow:
        """Return the shadow with the centre on (x, y) in pixels of the frame."""
        ...


@dataclass(frozen=True, slots=True)
class Population:
    """Grain sizes by the log–log² law of surface cleanliness.

    N(≥ x) = 10^(slope·(log₁₀²L − log₁₀²x)) grains of at least x µm on 0.1 m², x ≥ 1.

    Attributes
    ----------
    level
        Cleanliness level L in µm: the size of which 0.1 m² holds one grain or larger.
    slope
        `CLEANED_SLOPE` or `FALLOUT_SLOPE`.
    smallest_um, largest_um
        Only grains in this range are drawn.
    mean_count
        Expected grains a frame; None takes it from level and area.
    """

    level: float = 200.0
    slope: float = FALLOUT_SLOPE
    smallest_um: float = 10.0
    largest_um: float = 100.0
    mean_count: float | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.smallest_um < self.largest_um:
            raise ValueError(
                f"Population needs 1 ≤ smallest_um < largest_um, not {self.smallest_um} and {self.largest_um}"
            )
        if self.level < 1 or self.slope <= 0:
            raise ValueError(f"Population needs level ≥ 1 and slope > 0, not {self.level} and {self.slope}")
        if self.mean_count is not None and not self.mean_count >= 0:
            raise ValueError(f"Population.mean_count must be at least 0, not {self.mean_count}")

    def cumulative(self, size_um: FloatArray | float) -> FloatArray:
        """Return N(≥ x) on 0.1 m² for sizes x ≥ 1 µm."""
        x = np.log10(np.asarray(size_um, dtype=float))
        return np.asarray(10.0 ** (self.slope * (math.log10(self.level) ** 2 - x * x)))

    def expected(self, area_mm2: float) -> float:
        """Return the mean number of grains between the two size limits on an area."""
        if self.mean_count is not None:
            return self.mean_count
        span = self.cumulative(self.smallest_um) - self.cumulative(self.largest_um)
        return float(span) * area_mm2 / _UNIT_AREA_MM2

    def sizes(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Return `count` diameters in µm by inverting the law between the two limits."""
        high, low = self.cumulative(self.smallest_um), self.cumulative(self.largest_um)
        number = low + (high - low) * rng.random(count)
        return np.asarray(10.0 ** np.sqrt(math.log10(self.level) ** 2 - np.log10(number) / self.slope))

    def scatter(self, width_mm: float, height_mm: float, rng: np.random.Generator) -> tuple[Grain, ...]:
        """Return grains scattered evenly over a filter centred on the axis, their number Poisson."""
        count = int(rng.poisson(self.expected(width_mm * height_mm)))
        sizes = self.sizes(count, rng)
        x = (rng.random(count) - 0.5) * width_mm
        y = (rng.random(count) - 0.5) * height_mm
        return tuple(Grain(float(a), float(b), float(p)) for a, b, p in zip(x, y, sizes, strict=True))


@dataclass(frozen=True, slots=True)
class Even:
    """Disks of all sizes alike, at one density everywhere: not what falls, but what evidence is learned from.

    Attributes
    ----------
    mean_count
        Expected grains a frame; Poisson.
    low_um, high_um
        Diameters are drawn evenly in their logarithm.
    """

    mean_count: float
    low_um: float
    high_um: float

    def __post_init__(self) -> None:
        if not 0 < self.low_um < self.high_um or not self.mean_count >= 0:
            raise ValueError(f"Even needs 0 < low_um < high_um and mean_count of at least 0, not {self}")

    def scatter(self, width_mm: float, height_mm: float, rng: np.random.Generator) -> tuple[Grain, ...]:
        """Return grains scattered evenly over a filter centred on the axis."""
        count = int(rng.poisson(self.mean_count))
        sizes = np.exp(rng.uniform(math.log(self.low_um), math.log(self.high_um), size=count))
        x, y = (rng.random(count) - 0.5) * width_mm, (rng.random(count) - 0.5) * height_mm
        return tuple(Grain(float(a), float(b), float(p)) for a, b, p in zip(x, y, sizes, strict=True))
