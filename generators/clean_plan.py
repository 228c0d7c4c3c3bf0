"""Test frames before and after a clean, from a seed."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from .camera import Camera
from .contamination import State
from .optics import Optics
from .particles import Population
from .roll import Exposure, LensChange, Roll
from .scene import scene_seed

_PLAN = 98
"""The stream of random numbers that plans a pair, apart from those that render it."""

DISTANCE_SPREAD = 0.15
"""Filters lie nearer or further than the plan's by up to this share, evenly in the logarithm: no two are alike."""

LIGHT_STOPS = (-0.4, 0.1)
"""Exposures differ by so many stops from a well exposed test frame's."""


@dataclass(frozen=True, slots=True)
class CleanPlan:
    """A recipe for pairs of surveys: each has dust, a filter distance and screens of its own.

    Attributes
    ----------
    frames
        Test frames before, and as many after. The screen moves between any two, the dust does not.
    f_number
        As marked, of all of them.
    exit_pupils_mm
        Of the lens before and of that after.
    marks
        Blemishes of the screen, on average.
    gone, moved, shift_mm
        Share of what lies there that the clean takes off, and that it shifts, by a mean distance in mm.
    come
        Fresh dust that falls in meanwhile, as a share of the population.
    leaves
        What the clean leaves behind besides, or None.
    camera, optics, population
        Filter distance and pixel are the optics', apart from `DISTANCE_SPREAD`.
    """

    frames: int = 2
    f_number: float = 22.0
    exit_pupils_mm: tuple[float, float] = (60.0, 60.0)
    marks: float = 6.0
    gone: float = 0.6
    moved: float = 0.1
    shift_mm: float = 0.6
    come: float = 0.05
    leaves: Population | State | None = None
    camera: Camera = field(default_factory=Camera)
    optics: Optics = field(default_factory=Optics)
    population: Population | State = field(default_factory=Population)

    def __post_init__(self) -> None:
        if self.frames < 1:
            raise ValueError(f"a survey needs at least 1 test frame, not {self.frames}")
        if len(self.exit_pupils_mm) != 2:
            raise ValueError(f"exit_pupils_mm must be two, before and after, not {self.exit_pupils_mm}")
        self._change()

    def _change(self) -> LensChange:
        return LensChange(self.frames, self.gone, self.moved, self.come, self.shift_mm, self.leaves)


def make_clean(plan: CleanPlan, name: str, *, entropy: int, namespace: str = "develop") -> Roll:
    """Return a plan's roll of that name: its first half was taken before the clean, its second half after.

    Raises
    ------
    ValueError
        If the namespace is unknown.
    """
    seed = scene_seed(entropy, namespace, "clean", name)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(_PLAN,)))
    nearer = math.exp(rng.uniform(-1, 1) * math.log1p(DISTANCE_SPREAD))
    exposures = [
        Exposure(
            "screen",
            options=(("marks", plan.marks),),
            f_number=plan.f_number,
            exit_pupil_mm=pupil,
            light=float(2 ** rng.uniform(*LIGHT_STOPS)),
            is_test_frame=True,
        )
        for pupil in plan.exit_pupils_mm
        for _ in range(plan.frames)
    ]
    return Roll(
        name=name,
        exposures=tuple(exposures),
        optics=replace(plan.optics, filter_distance_mm=plan.optics.filter_distance_mm * nearer),
        camera=plan.camera,
        population=plan.population,
        changes=(plan._change(),),
        seed=seed,
    )
