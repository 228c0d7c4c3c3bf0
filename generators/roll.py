"""A roll: one contaminated filter, many exposures."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np

from .backgrounds import make
from .backgrounds.screen import Screen
from .camera import Camera
from .contamination import State, dust_from
from .distractors import screen_marks
from .optics import Optics
from .particles import Even, Particle, Population
from .scene import Frame, Scene, expose, exposed, filter_size_mm
from .truth import Placed, cast_all

_DUST, _GROUND, _NOISE = range(3)
"""Streams of random numbers of a roll; each exposure and lens change has its own in each."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """What changes from one exposure of a roll to the next.

    Attributes
    ----------
    background, options
        Name of a background and its options as (key, value) pairs.
    f_number
        As marked.
    exit_pupil_mm
        Of the lens and focal length in use; it moves shadows radially.
    light
        Factor on the scene's light: an exposure of ½ is one stop under.
    is_test_frame
        Whether it was taken to look for dust: a plain screen, the smallest aperture.
    again
        Number of an earlier exposure whose scene it shows again, to the pixel, as from a tripod; None for one of its
        own. Light, aperture, dust and the camera's noise are its own all the same.
    """

    background: str
    options: tuple[tuple[str, Any], ...] = ()
    f_number: float = 11.0
    exit_pupil_mm: float = 60.0
    light: float = 1.0
    is_test_frame: bool = False
    again: int | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.light) and self.light > 0):
            raise ValueError(f"Exposure.light must be a positive number, not {self.light!r}")


@dataclass(frozen=True, slots=True)
class LensChange:
    """What happens to the dust while the camera stands open.

    Attributes
    ----------
    before
        Index of the first exposure after it.
    gone, moved
        Share of what lies there that falls off, and that is shifted.
    come
        What is added, as a share of a fresh population.
    shift_mm
        Mean distance of a shift, in any direction.
    leaves
        What is left behind besides, as a swab leaves fibres and rings; or None.
    """

    before: int
    gone: float = 0.05
    moved: float = 0.1
    come: float = 0.1
    shift_mm: float = 1.0
    leaves: Population | State | None = None

    def __post_init__(self) -> None:
        if not (self.gone >= 0 and self.moved >= 0 and self.gone + self.moved <= 1):
            raise ValueError(f"LensChange needs gone and moved of 0 to 1 in all, not {self.gone} and {self.moved}")
        if not 0 <= self.come <= 1:
            raise ValueError(f"LensChange.come must be from 0 to 1, not {self.come}")
        if not self.shift_mm >= 0:
            raise ValueError(f"LensChange.shift_mm must be at least 0, not {self.shift_mm}")


@dataclass(frozen=True, slots=True)
class Roll:
    """Exposures of one camera whose filter carries the same dust, but for what lens changes do.

    Attributes
    ----------
    name
        Unique among rolls.
    exposures
        In the order in which they were taken.
    optics, camera
        Filter distance, blades and pixels are the roll's; f-number and exit pupil are the exposures'.
    population
        What lies on the filter at the first exposure.
    changes
        Lens changes in rising order.
    seed
        Words for `numpy.random.SeedSequence`; the first tells the namespace (`scene_seed` makes them).
    """

    name: str
    exposures: tuple[Exposure, ...]
    optics: Optics = field(default_factory=Optics)
    camera: Camera = field(default_factory=Camera)
    population: Population | State | Even = field(default_factory=Population)
    changes: tuple[LensChange, ...] = ()
    seed: tuple[int, ...] = (0,)

    def __post_init__(self) -> None:
        if not self.exposures:
            raise ValueError(f"roll {self.name!r} needs at least one exposure")
        for index, exposure in enumerate(self.exposures):
            if exposure.again is not None and not 0 <= exposure.again < index:
                raise ValueError(
                    f"roll {self.name!r}: exposure {index} can show the scene of an earlier one again, "
                    f"not of {exposure.again}"
                )
        places = [change.before for change in self.changes]
        if places != sorted(set(places)) or any(not 0 < place < len(self.exposures) for place in places):
            raise ValueError(
                f"roll {self.name!r} needs lens changes in rising order between exposures 1 and "
                f"{len(self.exposures) - 1}, not before {places}"
            )

    def __len__(self) -> int:
        return len(self.exposures)

    def to_json(self) -> str:
        """Return the roll as JSON with sorted keys."""
        return json.dumps(asdict(self), sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> Roll:
        """Return the roll that `to_json` wrote."""
        raw = json.loads(text)
        return cls(
            name=raw["name"],
            exposures=tuple(_exposure_from(each) for each in raw["exposures"]),
            optics=Optics(**raw["optics"]),
            camera=Camera(**raw["camera"]),
            population=dust_from(raw["population"]),
            changes=tuple(_change_from(change) for change in raw["changes"]),
            seed=tuple(raw["seed"]),
        )

    @property
    def digest(self) -> str:
        """Sixteen hex digits that name the roll's content."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()[:16]

    def scene(self, index: int) -> Scene:
        """Return an exposure's optics and camera as a scene: a record, since its dust is the roll's."""
        exposure = self.exposures[index]
        return Scene(
            name=f"{self.name}/{index:03d}",
            background=exposure.background,
            options=exposure.options,
            optics=replace(self.optics, f_number=exposure.f_number, exit_pupil_mm=exposure.exit_pupil_mm),
            camera=self.camera,
            population=self.population,
            seed=self.seed,
            block=self.name,
        )

    def scene_of(self, index: int) -> int:
        """Return the number of the exposure that first showed an exposure's scene."""
        while (again := self.exposures[index].again) is not None:
            index = again
        return index

    def _rng(self, stream: int, index: int) -> np.random.Generator:
        return np.random.default_rng(np.random.SeedSequence(self.seed, spawn_key=(stream, index)))


def _exposure_from(raw: dict[str, Any]) -> Exposure:
    return Exposure(**{**raw, "options": tuple((key, value) for key, value in raw["options"])})


def _change_from(raw: dict[str, Any]) -> LensChange:
    leaves = raw.get("leaves")
    return LensChange(**{**raw, "leaves": None if leaves is None else dust_from(leaves)})


def filter_at(roll: Roll, index: int) -> tuple[Placed, ...]:
    """Return what lies on a roll's filter at an exposure, each particle with its number.

    A particle keeps its number when it moves; what comes takes new ones.
    """
    size_mm = filter_size_mm(roll.camera, roll.optics)
    here = [Placed(*each) for each in enumerate(roll.population.scatter(*size_mm, roll._rng(_DUST, 0)))]
    free = len(here)
    for number, change in enumerate(roll.changes, start=1):
        if change.before > index:
            break
        rng = roll._rng(_DUST, number)
        here = [kept for placed in here if (kept := _stirred(placed, change, rng)) is not None]
        fresh: list[Particle] = [p for p in roll.population.scatter(*size_mm, rng) if rng.random() < change.come]
        fresh += [] if change.leaves is None else change.leaves.scatter(*size_mm, rng)
        here += [Placed(free + number, particle) for number, particle in enumerate(fresh)]
        free += len(fresh)
    return tuple(here)


def _stirred(placed: Placed, change: LensChange, rng: np.random.Generator) -> Placed | None:
    """Return a particle after a lens change, or None if it fell off. Every particle takes the same draws."""
    fate, angle, distance = rng.random(), rng.uniform(0, 2 * math.pi), rng.exponential(change.shift_mm)
    if fate < change.gone:
        return None
    if fate >= change.gone + change.moved:
        return placed
    return placed._replace(particle=_shifted(placed.particle, distance * math.cos(angle), distance * math.sin(angle)))


def _shifted(particle: Particle, x_mm: float, y_mm: float) -> Particle:
    moved: Particle = replace(particle, x_mm=particle.x_mm + x_mm, y_mm=particle.y_mm + y_mm)  # type: ignore[type-var]
    return moved


def render_exposure(roll: Roll, index: int, *, measured: bool = True) -> Frame:
    """Return one labelled exposure of a roll; the same bits alone or in the roll, in any process.

    Parameters
    ----------
    measured
        Whether to compute d′ and luminance of each shadow; otherwise they are nan.

    Raises
    ------
    IndexError
        If the roll has no such exposure.
    """
    return render_with(roll, index, measured=measured)


def render_with(roll: Roll, index: int, besides: Sequence[Particle] = (), *, measured: bool = True) -> Frame:
    """Return an exposure as it would have been with something more on the filter: all else to the bit the same.

    What is laid in has negative numbers, −1 first.

    Raises
    ------
    IndexError
        If the roll has no such exposure.
    """
    if not 0 <= index < len(roll):
        raise IndexError(f"roll {roll.name!r} has exposures 0 to {len(roll) - 1}, not {index}")
    scene, exposure = roll.scene(index), roll.exposures[index]
    painter = make(scene.background, dict(scene.options))
    ground = roll.scene_of(index)
    clean = painter.paint(scene.shape, roll._rng(_GROUND, ground))
    if exposure.light != 1:
        clean *= np.float32(exposure.light)
    again = roll._rng(_GROUND, ground)
    marks = screen_marks(painter, scene.shape, again) if isinstance(painter, Screen) else ()
    filter_ = (*filter_at(roll, index), *(Placed(-1 - n, particle) for n, particle in enumerate(besides)))
    noise = camera_noise(roll, index)
    if measured:
        return expose(scene, clean, filter_, rng=noise, distractors=marks)
    return exposed(scene, clean, cast_all(filter_, scene.optics, scene.shape), rng=noise, distractors=marks)


def camera_noise(roll: Roll, index: int) -> np.random.Generator:
    """Return the generator of the camera's noise at an exposure."""
    return roll._rng(_NOISE, index)


def render_roll(roll: Roll) -> Iterator[Frame]:
    """Yield the labelled exposures of a roll one by one."""
    return (render_exposure(roll, index) for index in range(len(roll)))
