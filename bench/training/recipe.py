"""Random scenes to train on: every ground, optics and camera that the generators know, and one's own photographs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ...detectors.network.evidence_target import EDGES_UM, PER_MEGAPIXEL
from ...generators.camera import Camera
from ...generators.camera_presets import PRESETS
from ...generators.contamination import Share, State, read_state
from ...generators.distractors import Distractors
from ...generators.optics import Optics
from ...generators.particles import Even, Population
from ...generators.roll import Roll
from ...generators.roll_plan import RollPlan, make_roll
from ...generators.scene import Scene, scene_seed

LESSONS = ("centres", "evidence", "twins", "rolls")
"""What can be learned: where shadows are, what a photograph says of grains of each size, that with more of the faint
ones, and that over a roll."""

GROUNDS = {
    "sky": 0.13,
    "snow": 0.22,
    "scrub": 0.20,
    "rock": 0.18,
    "water": 0.05,
    "mist": 0.04,
    "night": 0.03,
    "wall": 0.03,
    "screen": 0.02,
    "photograph": 0.10,
}
"""Share of the frames by ground; without photographs theirs goes to the others."""

TWINS = {"scrub": 0.28, "rock": 0.28, "snow": 0.16, "water": 0.06, "sky": 0.04, "mist": 0.04, "photograph": 0.14}
"""Share of the frames by ground in the lesson of twins: most where faint shadows are hard to see."""

THEMES = {
    "scrub": 0.28,
    "rock": 0.26,
    "snow": 0.15,
    "mixed": 0.10,
    "sky": 0.06,
    "water": 0.05,
    "mist": 0.04,
    "night": 0.03,
    "wall": 0.03,
}
"""Share of the training rolls by theme; most where a photograph alone says little."""

FAR_MM = 1e4
"""Exit pupil of training rolls: the filter's grains are neither spread nor crowded by it."""

F_NUMBERS = (5.6, 8.0, 9.0, 11.0, 13.0, 16.0, 18.0, 22.0)

IRREGULAR = 0.15
"""Share of the frames, and rolls, of evidence whose grains are no disks."""

ENTROPY = 90210
"""Of the training scenes; in the train namespace no frame that methods are judged on can come of it."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """What training scenes are drawn from.

    Attributes
    ----------
    width_px, height_px
        Size of a frame.
    per_megapixel
        Mean number of grains, denser than in life: more of what is to be learned in each frame.
    photographs
        Folder of clean pictures, or None.
    held_out
        Grounds to leave out, so that a ground never seen can be tried.
    lesson
        One of `LESSONS`; where it is evidence, grains are of all sizes alike and at one density.
    exposures
        Photographs in a training roll.
    """

    width_px: int = 1200
    height_px: int = 800
    per_megapixel: float = 45.0
    photographs: Path | None = None
    held_out: tuple[str, ...] = ()
    lesson: str = "centres"
    exposures: int = 12

    def grounds(self) -> dict[str, float]:
        """Return the grounds, of rolls the themes, and their shares, which add up to one."""
        if self.lesson == "rolls":
            return dict(THEMES)
        lacking = (*self.held_out, *(() if self.photographs else ("photograph",)))
        shares = TWINS if self.lesson == "twins" else GROUNDS
        kept = {name: share for name, share in shares.items() if name not in lacking}
        total = sum(kept.values())
        return {name: share / total for name, share in kept.items()}

    def scene(self, number: int) -> Scene:
        """Return training scene `number`: the same number, the same scene."""
        rng = np.random.default_rng(scene_seed(ENTROPY, "train", f"choices/{number}"))
        grounds = self.grounds()
        background = str(rng.choice(list(grounds), p=list(grounds.values())))
        options: tuple[tuple[str, Any], ...] = ()
        if background == "photograph":
            options = (("folder", str(self.photographs)), ("prefer_wide", False))
        optics = _optics(rng)
        return Scene(
            name=f"{background}/{number}",
            background=background,
            options=options,
            optics=optics,
            camera=self._camera(rng),
            population=self._even(optics, rng) if self.lesson != "centres" else self._population(rng),
            seed=scene_seed(ENTROPY, "train", f"scene/{number}"),
            distractors=Distractors() if rng.random() < 0.7 else _distractors(rng),
        )

    def roll(self, number: int) -> Roll:
        """Return training roll `number`, photographs of `THEMES` by one camera at one aperture and no lens change."""
        rng = np.random.default_rng(scene_seed(ENTROPY, "train", f"roll/{number}"))
        optics = _optics(rng)
        plan = RollPlan(
            theme=str(rng.choice(list(THEMES), p=list(THEMES.values()))),
            exposures=self.exposures,
            test_frames=0,
            lens_changes=0,
            f_numbers=(optics.f_number,),
            exit_pupils_mm=(FAR_MM,),
            camera=self._camera(rng),
            optics=optics,
            population=self._even(optics, rng),
        )
        return make_roll(plan, f"roll/{number}", entropy=ENTROPY, namespace="train")

    def _camera(self, rng: np.random.Generator) -> Camera:
        size: dict[str, Any] = {"width_px": self.width_px, "height_px": self.height_px}
        if rng.random() < 0.3:
            name = str(rng.choice([name for name in PRESETS if name != "plain"]))
            return Camera(**size, **PRESETS[name])
        return Camera(
            **size,
            iso=float(rng.choice([100, 100, 100, 200, 400, 800])),
            jpeg_quality=None if rng.random() < 0.1 else int(rng.integers(80, 96)),
            jpeg_chroma=str(rng.choice(["4:2:0", "4:2:0", "4:2:2", "4:4:4"])),
        )

    def _population(self, rng: np.random.Generator) -> Population | State:
        if rng.random() < 0.12:
            return read_state(str(rng.choice(["field-day", "dry-grit", "after-wet-clean"])))
        area = self.width_px * self.height_px / 1e6
        smallest = float(rng.choice([10.0, 20.0]))
        return Population(smallest_um=smallest, mean_count=self.per_megapixel * area * float(rng.choice([0.3, 1.0])))

    def _even(self, optics: Optics, rng: np.random.Generator) -> Even | State:
        count = PER_MEGAPIXEL * self.width_px * self.height_px / 1e6
        low, high = (edge * optics.filter_distance_mm for edge in (EDGES_UM[0], EDGES_UM[-1]))
        if rng.random() > IRREGULAR:
            return Even(count, low, high)
        ranges = (("diameter_um", low, high), ("aspect", 1.0, 1.8), ("roughness", 0.05, 0.25))
        return State("irregular", (Share("grain", count, ranges=ranges),))


def _optics(rng: np.random.Generator) -> Optics:
    usual = rng.random() < 0.5
    return Optics(
        f_number=float(rng.choice(F_NUMBERS)),
        filter_distance_mm=1.0 if usual else float(np.exp(rng.uniform(np.log(0.7), np.log(1.4)))),
        pixel_um=6.0 if usual else float(rng.uniform(3.7, 8.4)),
        blades=int(rng.choice([0, 0, 0, 0, 0, 6, 7, 8])),
        blade_angle_deg=float(rng.uniform(0, 60)),
    )


def _distractors(rng: np.random.Generator) -> Distractors:
    return Distractors(
        birds=float(rng.choice([0, 2])),
        hot_pixels=float(rng.choice([0, 5])),
        dirt=float(rng.choice([0, 1])),
        discs=float(rng.choice([0, 8])),
    )
