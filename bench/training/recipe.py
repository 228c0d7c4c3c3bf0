"""Random scenes to train on: every ground, optics and camera that the generators know, and one's own photographs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ...generators.camera import Camera
from ...generators.camera_presets import PRESETS
from ...generators.contamination import State, read_state
from ...generators.distractors import Distractors
from ...generators.optics import Optics
from ...generators.particles import Population
from ...generators.scene import Scene, scene_seed

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

F_NUMBERS = (5.6, 8.0, 9.0, 11.0, 13.0, 16.0, 18.0, 22.0)

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
    """

    width_px: int = 1200
    height_px: int = 800
    per_megapixel: float = 45.0
    photographs: Path | None = None
    held_out: tuple[str, ...] = ()

    def grounds(self) -> dict[str, float]:
        """Return the grounds and their shares, which add up to one."""
        lacking = (*self.held_out, *(() if self.photographs else ("photograph",)))
        kept = {name: share for name, share in GROUNDS.items() if name not in lacking}
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
        return Scene(
            name=f"{background}/{number}",
            background=background,
            options=options,
            optics=_optics(rng),
            camera=self._camera(rng),
            population=self._population(rng),
            seed=scene_seed(ENTROPY, "train", f"scene/{number}"),
            distractors=Distractors() if rng.random() < 0.7 else _distractors(rng),
        )

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
