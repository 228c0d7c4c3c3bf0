"""Clean down to which grain: the detection limit of these very test frames.

Shadows of grains of known size are laid into the frames themselves, which go through their file format once more, and
the survey looks at them as it looked at the real ones. So what hides small grains is in it: the screen's marks, the
noise as the camera left it, and the file. Noise drawn anew is not like it: cameras that reduce noise leave more of it
at a shadow's scale than a pixel's noise tells, and limits made so were too fine.
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
from ....generators.cv import cv2
from ....generators.shade import shade
from ....generators.shadow import Shadow, cast
from ....generators.transfer import encode
from ...limit import demonstrates, size_limit
from .advice import clear_ground

SIDE_PX = 320
"""Side of the rendered pieces."""

GRAINS = 9
"""Grains in each, one a cell of 3 × 3, so that none hides another."""

PIECES = 28
"""Pieces that make the statement, besides the first few that find the range of sizes."""

FIRST_PIECES, FIRST_RANGE_UM = 5, (2.0, 60.0)

SPAN = (0.5, 4.0)
"""Sizes run between these multiples of the middle: far enough up that the largest are found for certain where nothing
but their size hides grains, also where finding grows slowly with it."""

REACH_PX = 4.0
"""A grain is found if the survey names one within so many pixels, or half the shadow's width."""

CLEARANCE = 3.0
"""Grains are laid at least so many times that distance from real dust."""

WINDOW = 61
"""Grains of neighbouring size that speak together: 59 found of 61 show nine in ten with 95 % confidence. Of fewer
fewer may be missed, and a few are always lost beside a fibre or a ring, whatever their size."""

BLOCK_PX = 16
"""Pieces begin at multiples of this, so that a JPEG's blocks fall where they fell."""


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
    """

    bits: int
    tables: dict[int, list[int]] | None
    sampling: int

    def record(self, light: FloatArray) -> NDArray[Any]:
        """Return the file's pixels of linear light (height, width, 3)."""
        pixels = encode(light, bits=self.bits, encoding="srgb")
        return pixels if self.tables is None else _through_jpeg(pixels, self.tables, self.sampling)


def _through_jpeg(pixels: NDArray[Any], tables: dict[int, list[int]], sampling: int) -> NDArray[Any]:
    from PIL import Image

    data = io.BytesIO()
    Image.fromarray(pixels).save(data, "JPEG", qtables=tables, subsampling=sampling)
    return np.asarray(Image.open(data))


def recipe_of(path: Path, photograph: Photograph) -> Recipe:
    """Return how a file was recorded."""
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
    """Return where a statement of cleanliness holds, booleans (height, width).

    Lit, with no found grain's shadow, nor a place that may hide one: odd, doubtful, or so near to the picture's edge
    that half a shadow lies outside.
    """
    held = clear_ground(stack, dust).astype(np.uint8)
    for x, y in (*dust.doubtful, *dust.odd):
        cv2.circle(held, (round(x), round(y)), math.ceil(CLEARANCE * reach_px(dust)), 0, -1)
    edge = math.ceil(reach_px(dust))
    inside = np.zeros(held.shape, dtype=bool)
    inside[edge:-edge, edge:-edge] = True
    return np.asarray(inside & (held > 0))


def reach_px(dust: Dust) -> float:
    """Return how far from its place a grain may be named."""
    return max(REACH_PX, dust.optics.blur_um / dust.optics.pixel_um / 2)


def statement(recipe: Recipe, shots: Sequence[Photograph], dust: Dust, *, share: float, pieces: int) -> Statement:
    """Return the detection limit of frames like these.

    Parameters
    ----------
    recipe
        Of the file that they came from, see `recipe_of`.
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
    trials = [stage.trial((middle * SPAN[0], middle * SPAN[1]), rng) for _ in _each(pieces, jobs)]
    jobs.close()
    size, found = (np.concatenate([getattr(trial, name) for trial in trials]) for name in ("size", "found"))
    told = size_limit(size, found, np.repeat(np.arange(pieces), [len(trial.size) for trial in trials]))
    shown = demonstrated_um(size, found)
    note = str(told.get("note", "")) if math.isfinite(shown) else f"of the {WINDOW} largest grains too many were missed"
    return Statement(
        a90_95_um=max(float(told["a90_95"]), shown),
        a50_um=float(told["a50"].estimate) if "a50" in told else math.nan,
        share=share,
        trials=len(size),
        found=int(found.sum()),
        false_per_megapixel=sum(trial.false for trial in trials) / (pieces * stage.side**2 / 1e6),
        note=note,
    )


def demonstrated_um(size_um: NDArray[np.float64], found: NDArray[np.bool_]) -> float:
    """Return the size down to which the trials themselves show nine in ten, whatever curve they follow.

    From the largest grains down, `WINDOW` of neighbouring size at a time are tested by the exact binomial until they
    fail for the first time: such a fixed sequence errs in 5 % of cases in all. Where finding grows ever more slowly
    with the size, as it does above one half, a grain of a window's mean logarithm is found at least as often as the
    window's on average (Jensen's inequality).

    Returns
    -------
    float
        The mean of the last window that passes, µm; inf where the first one fails, 0 for fewer than `WINDOW` trials,
        which this can't judge.
    """
    if len(size_um) < WINDOW:
        return 0.0
    order = np.argsort(size_um)[::-1]
    shown = math.inf
    for first in range(len(order) - WINDOW + 1):
        window = order[first : first + WINDOW]
        if not demonstrates(int(found[window].sum()), WINDOW):
            break
        shown = float(np.exp(np.log(size_um[window]).mean()))
    return shown


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
        top, left = (int(rng.integers(length - self.side + 1)) // BLOCK_PX * BLOCK_PX for length in self.dust.shape)
        cells = np.stack(np.meshgrid(np.arange(3), np.arange(3)), axis=-1).reshape(-1, 2)
        x, y = (cells + rng.uniform(0.25, 0.75, cells.shape)).T * self.side / 3
        size = np.exp(rng.uniform(math.log(sizes_um[0]), math.log(sizes_um[1]), GRAINS))
        known = self._known(top, left)
        free = _distance(x, y, known) > CLEARANCE * reach_px(self.dust)
        x, y, size = x[free], y[free], size[free]
        shadows = [cast(float(p), self.dust.optics, x=float(a), y=float(b)) for p, a, b in zip(size, x, y, strict=True)]
        shots = [self._record(shot, (top, left), shadows) for shot in self.shots]
        seen = found_dust(stacked(shots), self.dust.optics, self.dust.distance)
        places = np.column_stack([seen.column("x"), seen.column("y")])
        found = _distance(x, y, places) <= reach_px(self.dust)
        laid = np.concatenate([np.column_stack([x, y]), known])
        false = _distance(places[:, 0], places[:, 1], laid) > CLEARANCE * reach_px(self.dust)
        return _Trial(size, found, int(false.sum()))

    def _known(self, top: int, left: int) -> NDArray[np.float64]:
        """Return where real dust, or what might be some, lies in a piece, (n, 2)."""
        places = [(grain.x, grain.y) for grain in self.dust.grains] + [*self.dust.doubtful, *self.dust.odd]
        return np.array(places, dtype=np.float64).reshape(-1, 2) - (left, top)

    def _record(self, shot: Photograph, corner: tuple[int, int], shadows: Sequence[Shadow]) -> Photograph:
        top, left = corner
        piece = replace(shot, pixels=shot.pixels[top : top + self.side, left : left + self.side])
        ground = np.array(piece.linear(), dtype=np.float32)
        for shadow in shadows:
            shade(ground, shadow)
        optics = self.dust.optics
        return Photograph(
            self.recipe.record(ground), f_number=optics.f_number, pixel_um=optics.pixel_um, is_test_frame=True
        )


def _distance(x: NDArray[Any], y: NDArray[Any], places: NDArray[Any]) -> NDArray[np.float64]:
    """Return the distance of each place to the nearest of others, inf where there is none."""
    far = np.hypot(np.subtract.outer(x, places[:, 0]), np.subtract.outer(y, places[:, 1]))
    return np.asarray(far.min(axis=1, initial=np.inf))
