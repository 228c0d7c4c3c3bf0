"""Rolls from a seed: what a photographer's day with one dusty camera might hold."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .backgrounds import BACKGROUNDS
from .camera import Camera
from .contamination import State
from .names import nearest
from .optics import Optics
from .particles import Even, Population
from .roll import Exposure, LensChange, Roll
from .scene import scene_seed

_PLAN = 99
"""The stream of random numbers that plans a roll, apart from those that render it."""

MIXED = ("sky", "snow", "scrub")
"""Grounds of a mixed roll, each exposure one by chance."""


@dataclass(frozen=True, slots=True)
class RollPlan:
    """A recipe for rolls: each has the same make-up and dust, light and grounds of its own.

    Attributes
    ----------
    theme
        ``"mixed"``, or the name of a background for all exposures.
    exposures
        Photographs a roll.
    test_frames
        Frames of a plain screen at `test_f_number` at the end; its own marks differ from one to the next
        while the dust stays.
    lens_changes
        How many times the camera was opened, at evenly spread exposures; each lens has an exit pupil of its
        own.
    f_numbers
        Photographs use one of these by chance.
    exit_pupils_mm
        The lenses take these in turn.
    tripod
        Whether all photographs show the first one's scene.
    """

    theme: str = "mixed"
    exposures: int = 12
    test_frames: int = 1
    lens_changes: int = 1
    f_numbers: tuple[float, ...] = (8.0, 11.0, 16.0)
    test_f_number: float = 22.0
    exit_pupils_mm: tuple[float, ...] = (60.0, 95.0, 45.0)
    camera: Camera = field(default_factory=Camera)
    optics: Optics = field(default_factory=Optics)
    population: Population | State | Even = field(default_factory=Population)
    tripod: bool = False

    def __post_init__(self) -> None:
        themes = ["mixed", *(name for name in BACKGROUNDS if name != "photograph")]
        if self.theme not in themes:
            raise ValueError(f"unknown theme {self.theme!r}; {nearest(self.theme, themes)}")
        if self.exposures < 1 or self.test_frames < 0:
            raise ValueError(
                f"a roll needs at least 1 exposure and 0 test frames, not {self.exposures} and {self.test_frames}"
            )
        if not 0 <= self.lens_changes < self.exposures:
            raise ValueError(f"lens_changes must be from 0 to exposures − 1, not {self.lens_changes}")


def make_roll(plan: RollPlan, name: str, *, entropy: int, namespace: str = "develop") -> Roll:
    """Return a plan's roll of that name: the same words give the same roll.

    Raises
    ------
    ValueError
        If the namespace is unknown.
    """
    seed = scene_seed(entropy, namespace, "roll", name)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(_PLAN,)))
    places = [round((n + 1) * plan.exposures / (plan.lens_changes + 1)) for n in range(plan.lens_changes)]
    photographs = _photographs(plan, places, rng)
    lens = photographs[-1].exit_pupil_mm
    test = Exposure("screen", f_number=plan.test_f_number, exit_pupil_mm=lens, is_test_frame=True)
    return Roll(
        name=name,
        exposures=(*photographs, *[test] * plan.test_frames),
        optics=plan.optics,
        camera=plan.camera,
        population=plan.population,
        changes=tuple(LensChange(place) for place in places),
        seed=seed,
    )


def _photographs(plan: RollPlan, places: list[int], rng: np.random.Generator) -> list[Exposure]:
    grounds = MIXED if plan.theme == "mixed" else (plan.theme,)
    found: list[Exposure] = []
    for index in range(plan.exposures):
        lens = sum(place <= index for place in places) % len(plan.exit_pupils_mm)
        ground = grounds[int(rng.integers(len(grounds)))]
        again = 0 if plan.tripod and index else None
        found.append(
            Exposure(
                background=found[0].background if again is not None else ground,
                f_number=plan.f_numbers[int(rng.integers(len(plan.f_numbers)))],
                exit_pupil_mm=plan.exit_pupils_mm[lens],
                light=float(2 ** rng.uniform(-0.5, 0.25)),
                again=again,
            )
        )
    return found
