"""A state of the filter: how many of each kind, how large, and where."""

from __future__ import annotations

import dataclasses
import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..droplet import Droplet
from ..fibre import Fibre
from ..flake import Flake
from ..irregular import IrregularGrain
from ..names import nearest
from ..particles import Particle, Population
from ..ring import Ring
from ..scratch import Scratch

KINDS: dict[str, type[Any]] = {
    "grain": IrregularGrain,
    "fibre": Fibre,
    "flake": Flake,
    "ring": Ring,
    "droplet": Droplet,
    "scratch": Scratch,
}
"""What a state may hold, by kind."""

_DRAWN = ("x_mm", "y_mm", "shape_seed")
"""Fields that a state does not set."""


def ranged(kind: str) -> list[str]:
    """Return the names of a kind's fields that a state gives a range of."""
    return [field.name for field in dataclasses.fields(KINDS[kind]) if field.name not in _DRAWN]


@dataclass(frozen=True, slots=True)
class Wipe:
    """Streaks that a swab leaves: what it pushes along ends up beside its path.

    Attributes
    ----------
    streaks
        How many.
    width_mm
        Standard deviation of the distance from a streak's middle.
    angle_low_deg, angle_high_deg
        Range of their common direction, from x to y.
    """

    streaks: int
    width_mm: float
    angle_low_deg: float = 0.0
    angle_high_deg: float = 180.0

    def __post_init__(self) -> None:
        if isinstance(self.streaks, float) or self.streaks < 1:
            raise ValueError(f"streaks must be a whole number of at least 1, not {self.streaks}")
        if not self.width_mm >= 0:
            raise ValueError(f"width_mm must be at least 0, not {self.width_mm}")
        if not self.angle_low_deg <= self.angle_high_deg:
            raise ValueError(f"angle_deg must rise, not from {self.angle_low_deg} to {self.angle_high_deg}")


@dataclass(frozen=True, slots=True)
class Share:
    """One kind's share of a state.

    Attributes
    ----------
    kind
        A key of `KINDS`.
    mean_count
        Expected number a frame; Poisson.
    along_wipe
        Share of them that lie along the streaks of the wipe.
    ranges
        (field, low, high): lengths in µm are drawn evenly in their logarithm, all else evenly. Angles
        without a range are any; other fields without one keep the kind's default.
    law
        For grains, the law of their diameters; its count stands if `mean_count` is None.
    """

    kind: str
    mean_count: float | None
    along_wipe: float = 0.0
    ranges: tuple[tuple[str, float, float], ...] = ()
    law: Population | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"unknown kind {self.kind!r}; {nearest(self.kind, KINDS)}")
        if self.mean_count is None and self.law is None:
            raise ValueError("mean_count is missing")
        if self.mean_count is not None and not 0 <= self.mean_count < math.inf:
            raise ValueError(f"mean_count must be a number of at least 0, not {self.mean_count}")
        if not 0 <= self.along_wipe <= 1:
            raise ValueError(f"along_wipe must be from 0 to 1, not {self.along_wipe}")
        for name, low, high in self.ranges:
            if name not in ranged(self.kind):
                raise ValueError(f"unknown key {name!r}; {nearest(name, ranged(self.kind))}")
            if not low <= high:
                raise ValueError(f"key {name!r} must rise, not from {low} to {high}")
        self._try_corners()

    def _try_corners(self) -> None:
        """Build the smallest, the largest and all mixed cases, so that a bad range is found when it is read."""
        sized = {"diameter_um": self.law.smallest_um} if self.law else {}
        for ends in itertools.product(*((low, high) for _, low, high in self.ranges)):
            named = dict(zip((name for name, _, _ in self.ranges), ends, strict=True))
            try:
                KINDS[self.kind](0.0, 0.0, **(sized | named))
            except TypeError:
                missing = [n for n in _required(self.kind) if n not in sized | named]
                raise ValueError(f"key {missing[0]!r} is missing") from None

    def draw(self, width_mm: float, height_mm: float, rng: np.random.Generator) -> list[dict[str, Any]]:
        """Return the fields of this share's particles but for their places."""
        if self.mean_count is None and self.law is not None:
            expected = self.law.expected(width_mm * height_mm)
        else:
            expected = self.mean_count or 0.0
        count = int(rng.poisson(expected))
        found: list[dict[str, Any]] = [self._one(rng) for _ in range(count)]
        if self.law is not None:
            for fields, diameter in zip(found, self.law.sizes(count, rng), strict=True):
                fields["diameter_um"] = float(diameter)
        return found

    def _one(self, rng: np.random.Generator) -> dict[str, Any]:
        names = {field.name for field in dataclasses.fields(KINDS[self.kind])}
        fields: dict[str, Any] = {}
        if "shape_seed" in names:
            fields["shape_seed"] = int(rng.integers(2**31))
        if "angle_deg" in names:
            fields["angle_deg"] = float(rng.uniform(0, 360))
        for name, low, high in self.ranges:
            even_in_log = name.endswith("_um") and low > 0
            value = low * (high / low) ** rng.random() if even_in_log else rng.uniform(low, high)
            fields[name] = float(value)
        return fields


def _required(kind: str) -> list[str]:
    fields = dataclasses.fields(KINDS[kind])
    return [field.name for field in fields if field.default is dataclasses.MISSING and field.name not in _DRAWN]


@dataclass(frozen=True, slots=True)
class State:
    """A named state of the filter, with all its numbers: what a scene keeps of it.

    Attributes
    ----------
    state
        Its name.
    shares
        One a kind.
    wipe
        Streaks, or None.
    """

    state: str
    shares: tuple[Share, ...]
    wipe: Wipe | None = None

    def __post_init__(self) -> None:
        if self.wipe is None and any(share.along_wipe for share in self.shares):
            raise ValueError("along_wipe needs a table [wipe]")

    def scatter(self, width_mm: float, height_mm: float, rng: np.random.Generator) -> tuple[Particle, ...]:
        """Return particles on a filter centred on the axis: evenly scattered, or along the streaks of a wipe."""
        size = (width_mm, height_mm)
        streaks = None if self.wipe is None else _Streaks.draw(self.wipe, size, rng)
        found: list[Particle] = []
        for share in self.shares:
            for fields in share.draw(width_mm, height_mm, rng):
                gathered = streaks is not None and rng.random() < share.along_wipe
                x, y = streaks.place(rng) if gathered and streaks is not None else _anywhere(size, rng)
                found.append(KINDS[share.kind](x_mm=x, y_mm=y, **fields))
        return tuple(found)


def _anywhere(size: tuple[float, float], rng: np.random.Generator) -> tuple[float, float]:
    return float((rng.random() - 0.5) * size[0]), float((rng.random() - 0.5) * size[1])


@dataclass(frozen=True, slots=True)
class _Streaks:
    """Lines of one direction through random points of the filter."""

    size: tuple[float, float]
    width_mm: float
    angle: float
    through: tuple[tuple[float, float], ...]

    @classmethod
    def draw(cls, wipe: Wipe, size: tuple[float, float], rng: np.random.Generator) -> _Streaks:
        angle = math.radians(rng.uniform(wipe.angle_low_deg, wipe.angle_high_deg))
        through = tuple(_anywhere(size, rng) for _ in range(wipe.streaks))
        return cls(size, wipe.width_mm, angle, through)

    def place(self, rng: np.random.Generator) -> tuple[float, float]:
        """Return a place on the filter, even along a streak and normal across it."""
        reach = math.hypot(*self.size)
        while True:  # each streak passes through the filter, so that a place inside turns up soon
            x0, y0 = self.through[int(rng.integers(len(self.through)))]
            along, across = rng.uniform(-reach, reach), rng.normal(0.0, self.width_mm)
            x = x0 + along * math.cos(self.angle) - across * math.sin(self.angle)
            y = y0 + along * math.sin(self.angle) + across * math.cos(self.angle)
            if abs(x) < self.size[0] / 2 and abs(y) < self.size[1] / 2:
                return float(x), float(y)
