"""Clean down to which grain: the detection limit of these very test frames.

Frames are rendered like them: their own light with the fine noise smoothed away, shadows of grains of known size at
their aperture and filter distance, as much fine noise as they have, their file format. The survey then looks at them
as it looked at the real ones. So the screen's marks and unevenness, which hide small grains, are in it.
"""

from __future__ import annotations

import io
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from tqdm import tqdm

from ....detectors.contract import FloatArray, Photograph
from ....detectors.survey import Dust, Stack, stacked
from ....detectors.survey.dust import found_dust
from ....detectors.survey.stack import pixel_noise
from ....generators.cv import cv2
from ....generators.shade import shade
from ....generators.shadow import Shadow, cast
from ....generators.transfer import encode
from ...limit import size_limit
from .advice import clear_ground

SIDE_PX = 320
"""Side of the rendered pieces."""

GRAINS = 9
"""Grains in each, one a cell of 3 × 3, so that none hides another."""

PIECES = 28
"""Pieces that make the statement, besides the first few that find the range of sizes."""

FIRST_PIECES, FIRST_RANGE_UM = 5, (2.0, 60.0)

SPAN = 2.5
"""Sizes run from the middle of the range by this factor either way."""

REACH_PX = 4.0
"""A grain is found if the survey names one within so many pixels, or half the shadow's width."""

CLEARANCE = 3.0
"""Grains are laid at least so many times that distance from real dust."""

SMOOTH_PX = 4.0
"""Standard deviation of the smoothing that takes the fine noise off the real light: about that of a shadow, so that a
part of the noise at its scale is counted twice, which errs towards a coarser limit."""

MOST_NOISE, HALVINGS = 0.3, 10
"""The noise is searched for below the one, by so many halvings."""


@dataclass(frozen=True, slots=True)
class Statement:
    """What may be said of grains that were not found.

    Attributes
    ----------
    a90_95_um
        Grains of this diameter are found 9 times in 10, with 95 % confidence; inf where the trials don't tell.
    a50_um
        Found every other time.
    share
        Of the picture in which that holds: lit, not clipped, and not under a found grain.
    trials, found
        Grains laid in, and how many of them were found.
    false_per_megapixel
        Grains that were named where none was laid.
    note
        What to know, or "".
    """

    a90_95_um: float
    a50_um: float
    share: float
    trials: int
    found: int
    false_per_megapixel: float
    note: str


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a test frame was recorded.

    Attributes
    ----------
    bits
        8 or 16.
    tables, sampling
        The file's own JPEG quantisation and colour sampling, None for other formats.
    noise
        Standard deviation of a pixel's light relative to the light, before encoding.
    """

    bits: int
    tables: dict[int, list[int]] | None
    sampling: int
    noise: float = 0.0

    def record(self, light: FloatArray, rng: np.random.Generator) -> NDArray[Any]:
        """Return the file's pixels of clean linear light (height, width, 3)."""
        noisy = light * (1 + self.noise * rng.standard_normal(light.shape))
        pixels = encode(noisy, bits=self.bits, encoding="srgb")
        return pixels if self.tables is None else _through_jpeg(pixels, self.tables, self.sampling)


def _through_jpeg(pixels: NDArray[Any], tables: dict[int, list[int]], sampling: int) -> NDArray[Any]:
    from PIL import Image

    data = io.BytesIO()
    Image.fromarray(pixels).save(data, "JPEG", qtables=tables, subsampling=sampling)
    return np.asarray(Image.open(data))


def recipe_of(path: Path, photograph: Photograph) -> Recipe:
    """Return how a file was recorded, its noise left open."""
    from PIL import Image, JpegImagePlugin

    bits = 8 if photograph.pixels.dtype == np.uint8 else 16
    with path.open("rb") as file:
        if file.read(2) != b"\xff\xd8":
            return Recipe(bits, None, 0)
    with Image.open(path) as image:
        tables = {key: list(values) for key, values in image.quantization.items()}  # type: ignore[attr-defined]
        sampling = JpegImagePlugin.get_sampling(image)
    return Recipe(bits, tables, max(0, sampling))


def claimed_ground(stack: Stack, dust: Dust) -> NDArray[np.bool_]:
    """Return where a statement of cleanliness holds, booleans (height, width): lit, and with nothing found on it."""
    return clear_ground(stack, dust)


def matched_noise(recipe: Recipe, stack: Stack) -> Recipe:
    """Return the recipe with the noise of a pixel that, through the file format, reads as the test frames' does."""
    level = float(np.median(stack.shading[0][stack.usable]))
    flat = np.full((SIDE_PX, SIDE_PX, 3), level, np.float32)
    low, high = 0.0, MOST_NOISE
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        pixels = replace(recipe, noise=middle).record(flat, np.random.default_rng(0))
        light = Photograph(pixels).luminance()
        there = pixel_noise(light / light.mean())
        low, high = (middle, high) if there < stack.noise else (low, middle)
    return replace(recipe, noise=high)


def statement(recipe: Recipe, shots: Sequence[Photograph], dust: Dust, *, share: float, pieces: int) -> Statement:
    """Return the detection limit of frames like these.

    Parameters
    ----------
    recipe
        With its noise, see `matched_noise`.
    shots
        The test frames.
    share
        Of the picture that is lit, not clipped, and not under a found grain.
    pieces
        Rendered pieces, of up to `GRAINS` each.
    """
    stage = _Stage(recipe, tuple(shots), dust)
    rng = np.random.default_rng(1)
    jobs = tqdm(
        total=FIRST_PIECES + pieces, unit="piece", desc="what would be missed", disable=None, file=sys.stderr
    )  # None: only on a terminal
    first = [stage.trial(FIRST_RANGE_UM, rng) for _ in _each(FIRST_PIECES, jobs)]
    middle = _middle(np.concatenate([t.size for t in first]), np.concatenate([t.found for t in first]))
    trials = [stage.trial((middle / SPAN, middle * SPAN), rng) for _ in _each(pieces, jobs)]
    jobs.close()
    size, found = (np.concatenate([getattr(trial, name) for trial in trials]) for name in ("size", "found"))
    told = size_limit(size, found, np.repeat(np.arange(pieces), [len(trial.size) for trial in trials]))
    return Statement(
        a90_95_um=float(told["a90_95"]),
        a50_um=float(told["a50"].estimate) if "a50" in told else math.nan,
        share=share,
        trials=len(size),
        found=int(found.sum()),
        false_per_megapixel=sum(trial.false for trial in trials) / (pieces * stage.side**2 / 1e6),
        note=str(told.get("note", "")),
    )


def _each(count: int, jobs: Any) -> Iterator[int]:
    for number in range(count):
        yield number
        jobs.update()


def _middle(size: NDArray[np.float64], found: NDArray[np.bool_]) -> float:
    """Return about the size that is found half the time: where a step makes the fewest mistakes."""
    order = np.sort(size)
    mistakes = [int(np.sum(found & (size < cut)) + np.sum(~found & (size >= cut))) for cut in order]
    return float(np.clip(order[int(np.argmin(mistakes))], *FIRST_RANGE_UM))


@dataclass(frozen=True, slots=True)
class _Trial:
    size: NDArray[np.float64]
    found: NDArray[np.bool_]
    false: int


@dataclass(frozen=True, slots=True)
class _Stage:
    """Where trials are rendered."""

    recipe: Recipe
    shots: tuple[Photograph, ...]
    dust: Dust

    @property
    def side(self) -> int:
        """Of a piece."""
        return min(SIDE_PX, *self.dust.shape)

    def trial(self, sizes_um: tuple[float, float], rng: np.random.Generator) -> _Trial:
        """Render one piece of each frame with the same grains, survey it, and compare."""
        top, left = (int(rng.integers(length - self.side + 1)) for length in self.dust.shape)
        cells = np.stack(np.meshgrid(np.arange(3), np.arange(3)), axis=-1).reshape(-1, 2)
        x, y = (cells + rng.uniform(0.25, 0.75, cells.shape)).T * self.side / 3
        size = np.exp(rng.uniform(math.log(sizes_um[0]), math.log(sizes_um[1]), GRAINS))
        known = self._known(top, left)
        free = _distance(x, y, known) > CLEARANCE * self.reach_px
        x, y, size = x[free], y[free], size[free]
        shadows = [cast(float(p), self.dust.optics, x=float(a), y=float(b)) for p, a, b in zip(size, x, y, strict=True)]
        shots = [self._record(shot, (top, left), shadows, rng) for shot in self.shots]
        seen = found_dust(stacked(shots), self.dust.optics, self.dust.distance)
        places = np.column_stack([seen.column("x"), seen.column("y")])
        found = _distance(x, y, places) <= self.reach_px
        laid = np.concatenate([np.column_stack([x, y]), known])
        false = _distance(places[:, 0], places[:, 1], laid) > CLEARANCE * self.reach_px
        return _Trial(size, found, int(false.sum()))

    @property
    def reach_px(self) -> float:
        """How far from its place a grain may be named."""
        return max(REACH_PX, self.dust.optics.blur_um / self.dust.optics.pixel_um / 2)

    def _known(self, top: int, left: int) -> NDArray[np.float64]:
        """Return where real dust, or what might be some, lies in a piece, (n, 2)."""
        places = [(grain.x, grain.y) for grain in self.dust.grains] + [*self.dust.doubtful, *self.dust.odd]
        return np.array(places, dtype=np.float64).reshape(-1, 2) - (left, top)

    def _record(
        self, shot: Photograph, corner: tuple[int, int], shadows: Sequence[Shadow], rng: np.random.Generator
    ) -> Photograph:
        top, left = corner
        piece = Photograph(shot.pixels[top : top + self.side, left : left + self.side])
        part = cv2.GaussianBlur(piece.luminance(), (0, 0), SMOOTH_PX)
        ground = np.repeat(np.asarray(part, dtype=np.float32)[..., None], 3, axis=2)
        for shadow in shadows:
            shade(ground, shadow)
        optics = self.dust.optics
        return Photograph(
            self.recipe.record(ground, rng), f_number=optics.f_number, pixel_um=optics.pixel_um, is_test_frame=True
        )


def _distance(x: NDArray[Any], y: NDArray[Any], places: NDArray[Any]) -> NDArray[np.float64]:
    """Return the distance of each place to the nearest of others, inf where there is none."""
    far = np.hypot(np.subtract.outer(x, places[:, 0]), np.subtract.outer(y, places[:, 1]))
    return np.asarray(far.min(axis=1, initial=np.inf))
