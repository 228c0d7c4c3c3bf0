"""Suites: what is rendered and how it is judged, as data with a version."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from ..generators.backgrounds.photograph import PhotographFolder
from ..generators.camera import Camera
from ..generators.contamination import State
from ..generators.distractors import Distractors
from ..generators.optics import Optics
from ..generators.particles import Population
from ..generators.photo_io import read_picture
from ..generators.scene import Scene, scene_seed
from .errors import YardError
from .visibility import Viewing


@dataclass(frozen=True, slots=True)
class Ground:
    """One background of a suite: its label in tables, the painter's name and its options."""

    label: str
    background: str
    options: tuple[tuple[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class Suite:
    """A recipe with a version; scores of different versions are never mixed.

    Attributes
    ----------
    frames
        Frames a cell; a cell is one ground at one f-number.
    f_numbers
        As marked.
    grounds, camera, optics, population, viewing, distractors
        What is rendered, and who looks at it. The optics' own f-number is replaced by each of `f_numbers`.
    skip
        Registered detectors that are judged only when asked for by name. No part of the recipe: scores with and
        without them can stand together.
    """

    name: str
    version: int
    summary: str
    seed: int
    frames: int
    f_numbers: tuple[float, ...]
    grounds: tuple[Ground, ...]
    camera: Camera
    optics: Optics
    population: Population | State
    viewing: Viewing
    distractors: Distractors
    skip: tuple[str, ...] = ()

    @property
    def digest(self) -> str:
        """Eight hex digits that name the recipe's content."""
        recipe = {key: value for key, value in dataclasses.asdict(self).items() if key != "skip"}
        text = json.dumps(recipe, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:8]

    @property
    def megapixels(self) -> float:
        """Size of one frame."""
        return self.camera.width_px * self.camera.height_px / 1e6

    def scenes(self, namespace: str = "report") -> Iterator[Scene]:
        """Yield the suite's scenes, cell by cell."""
        for place in range(len(self)):
            yield self.scene(place, namespace)

    def __len__(self) -> int:
        """Return the number of scenes."""
        return len(self.grounds) * len(self.f_numbers) * self.frames

    def scene(self, place: int, namespace: str = "report") -> Scene:
        """Return the scene at a place in the order of `scenes`, without making the others."""
        cell, number = divmod(place, self.frames)
        ground, aperture = divmod(cell, len(self.f_numbers))
        return self._scene(self.grounds[ground], self.f_numbers[aperture], number, namespace)

    def _scene(self, ground: Ground, f_number: float, number: int, namespace: str) -> Scene:
        name = f"{ground.label}/f{f_number:g}/{number:03d}"
        options, source, block = ground.options, "", name
        if ground.background == "photograph":
            options, source, block = _pin(ground, number)
        return Scene(
            name=name,
            background=ground.background,
            options=options,
            optics=dataclasses.replace(self.optics, f_number=f_number),
            camera=self.camera,
            population=self.population,
            seed=scene_seed(self.seed, namespace, name),
            block=block,
            source=source,
            distractors=self.distractors,
        )

    def notes(self) -> list[str]:
        """Return what the user should know about photographs among the grounds, a sentence each."""
        grounds = (ground for ground in self.grounds if ground.background == "photograph")
        return [note for ground in grounds for note in PhotographFolder(**dict(ground.options)).notes()]

    def with_photographs(self, folder: Path) -> Suite:
        """Return the suite with the user's own clean pictures in `folder` as one more ground."""
        if any(ground.background == "photograph" for ground in self.grounds):
            raise YardError(f"suite {self.name!r} already has photographs; drop --photos or edit the suite")
        ground = Ground("photographs", "photograph", (("folder", str(folder.resolve())),))
        _check_sources(ground, self.camera)
        return dataclasses.replace(self, grounds=(*self.grounds, ground))


def _sources(ground: Ground) -> list[Path]:
    """Return the pictures of a ground of photographs."""
    painter = PhotographFolder(**dict(ground.options))
    return [Path(painter.folder) / name for name in painter.sources()]


def _check_sources(ground: Ground, camera: Camera) -> None:
    """Read each picture once, so that a bad one stops the run before it starts and not in its middle."""
    for path in _sources_of_user(ground):
        try:
            picture = read_picture(path)
            PhotographFolder(**dict(ground.options)).mask(picture.path.name)
        except (OSError, ValueError) as error:
            raise YardError(str(error)) from error
        if picture.width < camera.width_px or picture.height < camera.height_px:
            raise YardError(
                f"{picture.path} is {picture.width}×{picture.height}, smaller than the suite's frame of "
                f"{camera.width_px}×{camera.height_px}; take it out of the folder or use a suite of smaller frames"
            )


def _sources_of_user(ground: Ground) -> list[Path]:
    try:
        return _sources(ground)
    except (OSError, ValueError) as error:
        raise YardError(str(error)) from error


def _pin(ground: Ground, number: int) -> tuple[tuple[tuple[str, Any], ...], str, str]:
    """Pick the pictures in turn, so that each is used as often as the others, and name their content."""
    files = _sources(ground)
    file = files[number % len(files)]
    options = (*((key, value) for key, value in ground.options if key != "file"), ("file", file.name))
    masks = PhotographFolder(**dict(ground.options)).mask_files(file.name)
    return options, _content((file, *masks)), f"{ground.label}/{file.name}"


@lru_cache(maxsize=1024)
def _content(files: tuple[Path, ...]) -> str:
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:16]
