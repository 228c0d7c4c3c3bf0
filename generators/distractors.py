"""Things that only look like dust, drawn into a scene and labelled as what they are."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .backgrounds.screen import Screen
from .optics import Optics
from .silhouette import bird_outline, polygon_mask, pupil_outline

FloatArray = NDArray[np.float32]

KINDS = ("bird", "hot pixel", "dirt", "disc", "mark")

LENS_BLUR_PX = 0.6
"""Standard deviation of a good lens's blur in focus (common practice)."""

FULL_WIDTH = 2 * math.sqrt(2 * math.log(2))
"""Full width at half height of a Gaussian over its standard deviation."""


@dataclass(frozen=True, slots=True)
class Distractor:
    """One thing that is not dust.

    Attributes
    ----------
    kind
        ``"bird"``, ``"hot pixel"``, ``"dirt"`` (on the front of the lens), ``"disc"`` (a snowflake or drop
        near the lens) or ``"mark"`` (of a photographed screen).
    x, y
        Centre of its area in pixels; (0, 0) is the centre of the first pixel.
    diameter_px
        Wing span; 1 for a hot pixel; full width at half depth for the others.
    cover
        Share of the light behind it that it takes away at its centre, 0…1; a mark's may be negative.
    own
        Its own linear radiance, which it puts in place of that share: ``own · cover`` is added. A hot
        pixel adds it whole.
    softness_px
        Standard deviation of the blur of its outline.
    angle_deg
        Bank of a bird, turn of a pupil's first corner; both clockwise as seen.
    lift
        Of a bird's wings.
    blades
        Corners of a disc or of dirt, 0 for round.
    channel
        Colour plane of a hot pixel.
    """

    kind: str
    x: float
    y: float
    diameter_px: float
    cover: float = 1.0
    own: float = 0.0
    softness_px: float = LENS_BLUR_PX
    angle_deg: float = 0.0
    lift: float = 0.0
    blades: int = 0
    channel: int = 1

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"unknown kind of distractor {self.kind!r}; known are {', '.join(KINDS)}")

    @property
    def on_raw(self) -> bool:
        """Whether it belongs on the sensor's values after shot noise, not on the light."""
        return self.kind == "hot pixel"

    def draw(self, linear: FloatArray) -> None:
        """Draw it in place: on light (height, width, 3), or on raw values if `on_raw`, 1.0 saturated.

        Raw values may also be a mosaic (height, width). Marks are part of the ground already: nothing is
        drawn.
        """
        if self.kind == "mark":
            return
        if self.kind == "hot pixel":
            self._heat(linear)
            return
        outline = (
            bird_outline(self.diameter_px, self.lift, self.angle_deg)
            if self.kind == "bird"
            else pupil_outline(self.diameter_px, self.blades, self.angle_deg)
        )
        mask = polygon_mask(outline, self.x, self.y, blur_px=self.softness_px)
        where, cover = mask.within(linear.shape[0], linear.shape[1])
        share = np.float32(self.cover) * cover[..., None]
        linear[where] += share * (np.float32(self.own) - linear[where])

    def _heat(self, raw: FloatArray) -> None:
        row, column = round(self.y), round(self.x)
        if 0 <= row < raw.shape[0] and 0 <= column < raw.shape[1]:
            raw[(row, column) if raw.ndim == 2 else (row, column, self.channel)] += np.float32(self.own)


@dataclass(frozen=True, slots=True)
class Distractors:
    """How many of each kind a frame has on average.

    Attributes
    ----------
    birds, hot_pixels, dirt, discs
        Mean counts of a Poisson number in a frame; dirt counts what reaches the frame.
    focal_mm
        Focal length, which `Optics` does not know: with the f-number it gives the entrance pupil and the
        size of defocused things.
    """

    birds: float = 0.0
    hot_pixels: float = 0.0
    dirt: float = 0.0
    discs: float = 0.0
    focal_mm: float = 35.0

    def __post_init__(self) -> None:
        for name in ("birds", "hot_pixels", "dirt", "discs"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"Distractors.{name} must be a number from 0 up, not {value!r}")
        if not (math.isfinite(self.focal_mm) and self.focal_mm > 0):
            raise ValueError(f"Distractors.focal_mm must be a positive number, not {self.focal_mm!r}")

    def scatter(self, shape: tuple[int, int], optics: Optics, rng: np.random.Generator) -> tuple[Distractor, ...]:
        """Return what a frame of `shape` has, in drawing order: far things first, the sensor's last.

        Numbers, places and natures depend on the generator only; the aperture changes what depends on it.
        """
        lens = _Lens(self.focal_mm, self.focal_mm / optics.exact_f_number, optics)
        makers: tuple[tuple[float, Callable[[float, float], Distractor]], ...] = (
            (self.birds, lambda x, y: _bird(x, y, rng)),
            (self.discs, lambda x, y: _flake(x, y, lens, rng)),
            (self.dirt, lambda x, y: _dirt(x, y, lens, rng)),
            (self.hot_pixels, lambda x, y: _hot_pixel(x, y, rng)),
        )
        return tuple(make(x, y) for mean, make in makers for x, y in _places(mean, shape, rng))


def screen_marks(screen: Screen, shape: tuple[int, int], rng: np.random.Generator) -> tuple[Distractor, ...]:
    """Return the marks that `screen.paint` draws from this state of the generator, as labels."""
    return tuple(
        Distractor("mark", mark.x, mark.y, FULL_WIDTH * mark.sigma_px * math.sqrt(mark.ratio), -math.expm1(-mark.depth))
        for mark in screen.blemishes(shape, rng)
    )


@dataclass(frozen=True, slots=True)
class _Lens:
    """A lens focused far away: focal length, diameter of the entrance pupil, and the rest."""

    focal_mm: float
    pupil_mm: float
    optics: Optics

    def blurred(
        self, kind: str, place: tuple[float, float], *, size_mm: float, distance_mm: float, own: float = 0.0
    ) -> Distractor:
        """Return the image of a thing near the lens.

        A point at distance s lights a disc f·D/s wide; the thing's image is f·p/s wide and blurs the disc's
        edge. It hides (p/D)² of the pupil from every point behind it: the geometry of a grain on the filter.
        """
        scale = 1000.0 * self.focal_mm / (distance_mm * self.optics.pixel_um)  # pixels a millimetre
        image = scale * min(size_mm, self.pupil_mm)
        return Distractor(
            kind,
            *place,
            scale * max(size_mm, self.pupil_mm),
            pupil_cover(size_mm, self.pupil_mm),
            own=own,
            # A disc of diameter w has the variance w²/16 along each axis.
            softness_px=math.hypot(image / 4, LENS_BLUR_PX),
            angle_deg=self.optics.blade_angle_deg,
            blades=self.optics.blades if size_mm < self.pupil_mm else 0,
        )


def pupil_cover(size_mm: float, pupil_mm: float) -> float:
    """Return the share (p/D)² of the entrance pupil that a speck hides, at most 1.

    >>> round(pupil_cover(1.0, 25.0), 6)
    0.0016
    """
    return min(1.0, (size_mm / pupil_mm) ** 2)


def _places(mean: float, shape: tuple[int, int], rng: np.random.Generator) -> Iterator[tuple[float, float]]:
    for _ in range(int(rng.poisson(mean))):
        yield rng.uniform(-0.5, shape[1] - 0.5), rng.uniform(-0.5, shape[0] - 0.5)


def _bird(x: float, y: float, rng: np.random.Generator) -> Distractor:
    """Return a bird of 5…45 px: dark as a crow against the light, one in four pale as a gull."""
    span = 5.0 * 9.0 ** rng.random() ** 1.5
    own = rng.uniform(0.4, 0.65) if rng.random() < 0.25 else rng.uniform(0.01, 0.07)
    bank, lift = rng.normal(0.0, 20.0), rng.uniform(-0.35, 0.6)
    return Distractor("bird", x, y, span, own=own, angle_deg=bank, lift=lift)


def _flake(x: float, y: float, lens: _Lens, rng: np.random.Generator) -> Distractor:
    """Return a snowflake of 0.7…4 mm at 0.25…4 m: bright before dark ground, dark before bright cloud."""
    size, distance = 0.7 * 5.7 ** rng.random(), 250.0 * 16.0 ** rng.random()
    return lens.blurred("disc", (x, y), size_mm=size, distance_mm=distance, own=rng.uniform(0.3, 0.55))


def _dirt(x: float, y: float, lens: _Lens, rng: np.random.Generator) -> Distractor:
    """Return a speck of 0.2…1.2 mm on the front element, 25…60 mm before the entrance pupil."""
    size, distance = 0.2 * 6.0 ** rng.random(), rng.uniform(25.0, 60.0)
    return lens.blurred("dirt", (x, y), size_mm=size, distance_mm=distance)


def _hot_pixel(x: float, y: float, rng: np.random.Generator) -> Distractor:
    """Return one photosite with dark current: 2 % of saturation or more, few are strong."""
    own = min(0.02 * (1 + rng.pareto(1.2)), 1.0)
    return Distractor("hot pixel", round(x), round(y), 1.0, 0.0, own=own, channel=int(rng.integers(3)))
