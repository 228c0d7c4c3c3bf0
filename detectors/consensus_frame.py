"""What one photograph of a roll says of shadows: everywhere, and at chosen places."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..generators.cv import cv2
from ..generators.optics import Optics
from .consensus_likelihood import evidence, evidence_map
from .consensus_measure import measured
from .consensus_neutral import Neutral, neutral
from .consensus_scene import thumbnail
from .consensus_tiles import responses
from .contract import FloatArray, Photograph
from .optical_scales import FILTER_DISTANCE_MM, known_f_number, pixel_pitch_um, reduction
from .profiles import UNKNOWN_F_NUMBERS, Profile
from .scan import fitting

GRAINS_UM = (18.0, 28.0, 45.0, 85.0)
"""Grains whose evidence is kept for every place: at nominal distance each shadow is two to three times as
deep as the one before, until the deepest are wide instead."""

SHAPES_UM = (28.0, 85.0)
"""Grains whose shadows are correlated with the picture; the others are taken as multiples of the first, since
below d/N a shadow's shape hardly depends on the grain."""

SIZES_UM = (16.0, 19.0, 23.0, 28.0, 34.0, 42.0, 52.0, 65.0, 85.0, 110.0)
"""Grains that a second look tells apart."""

NOMINAL_F_NUMBER = 11.0
"""Decides by how much the photographs of a roll are shrunk, whatever their apertures."""

LEAST_PX = 8.0
"""Shadows at the nominal f-number stay at least this wide; see `matched`."""

Maps = Iterator[tuple[int, FloatArray]]


def step_for(photograph: Photograph) -> int:
    """Return by how much the photographs of a roll are shrunk, given one of them."""
    width = 1000 * FILTER_DISTANCE_MM / NOMINAL_F_NUMBER / pixel_pitch_um(photograph)
    return min(reduction(width, least_px=LEAST_PX), *photograph.shape)


def casts(photograph: Photograph) -> tuple[Optics, ...]:
    """Return what casts the shadows in a photograph: one, or several that stand for an unknown f-number.

    None whose shadows are too wide for the frame.
    """
    known, pitch = known_f_number(photograph), pixel_pitch_um(photograph)
    numbers = UNKNOWN_F_NUMBERS if known is None else (known,)
    all_ = [Optics(f_number=n, filter_distance_mm=FILTER_DISTANCE_MM, pixel_um=pitch) for n in numbers]
    return tuple(optics for optics in all_ if fitting([Profile(SHAPES_UM[0], optics).fwhm_px], photograph.shape))


def width_px(grain_um: float, optics: Sequence[Optics]) -> float:
    """Return the full width at half depth of a grain's shadow in photograph pixels, the mean over apertures."""
    return float(np.mean([Profile(grain_um, each).fwhm_px for each in optics]))


@dataclass(frozen=True, slots=True)
class Look:
    """One photograph, shrunk and without its colour.

    Attributes
    ----------
    picture
        The shrunken picture.
    step
        Pixels of the photograph along one of the picture.
    optics
        What casts the shadows: one, or several that stand for an unknown f-number.
    """

    picture: Neutral
    step: int
    optics: tuple[Optics, ...]

    @classmethod
    def at(cls, photograph: Photograph, step: int) -> Look:
        """Return a look at a photograph."""
        return cls(neutral(photograph, step), step, casts(photograph))

    @property
    def scene(self) -> FloatArray:
        """Thumbnail of what the photograph shows."""
        return thumbnail(self.picture.plain)

    def maps(self) -> Maps:
        """Yield for each of `GRAINS_UM` by its index the evidence for it at each place, (h, w).

        Where the f-number is unknown, each of several is equally likely: the mean of their likelihoods.
        """
        found: dict[int, list[FloatArray]] = {}
        for optics in self.optics:
            for index, map_ in self._maps(optics):
                found.setdefault(index, []).append(map_)
        for index, maps in sorted(found.items()):
            yield index, mean_likelihood(maps)

    def _maps(self, optics: Optics) -> Maps:
        shapes = [Profile(grain, optics).log(self.step) for grain in SHAPES_UM]
        seen = self._seen(optics)
        for number, (response, expected) in enumerate(responses(self.picture.log, shapes)):
            for index, grain in enumerate(GRAINS_UM):
                if nearest_shape(grain) == number:
                    share = projection(Profile(grain, optics).log(self.step), shapes[number])
                    yield index, evidence_map(response, expected, share, seen)

    def _seen(self, optics: Optics) -> NDArray[np.bool_]:
        """Return where a shadow's core lies on ground that says something."""
        reach = max(1, round(Profile(SHAPES_UM[0], optics).fwhm_px / self.step / 2))
        kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
        return np.asarray(cv2.erode(self.picture.seen.astype(np.uint8), kernel) > 0)

    def measure(self, y: FloatArray, x: FloatArray) -> FloatArray:
        """Return the evidence for each of `SIZES_UM` at places of the picture, float32 (sizes, m).

        Places outside the picture, black or saturated, have none.
        """
        height, width = self.picture.log.shape
        inside = (y >= -0.5) & (y <= height - 0.5) & (x >= -0.5) & (x <= width - 0.5)
        total = np.zeros((len(SIZES_UM), len(y)), dtype=np.float32)
        found = [self._measured(optics, y[inside], x[inside]) for optics in self.optics]
        if found:
            total[:, inside] = mean_likelihood(found)
        return total

    def _measured(self, optics: Optics, y: FloatArray, x: FloatArray) -> FloatArray:
        shadows = [Profile(size, optics).log(self.step) for size in SIZES_UM]
        response, expected = measured(self.picture.log, y, x, templates=shadows)
        seen = self._seen(optics)
        rows, columns = (
            np.clip(np.rint(place).astype(np.intp), 0, length - 1)
            for place, length in zip((y, x), seen.shape, strict=True)
        )
        return evidence(response, expected) * seen[rows, columns]


def nearest_shape(grain_um: float) -> int:
    """Return the index of the shape in `SHAPES_UM` that stands for a grain: the largest not above 1.8 times it."""
    below = [index for index, shape in enumerate(SHAPES_UM) if shape <= 1.8 * grain_um]
    return below[-1] if below else 0


def projection(shadow: FloatArray, shape: FloatArray) -> float:
    """Return the multiple of a shape that fits a shadow best, both centred on odd squares."""
    side = min(len(shadow), len(shape))
    a, b = (_middle(stamp, side).astype(np.float64) for stamp in (shadow, shape))
    return float(np.sum(a * b) / np.sum(b * b))


def _middle(stamp: FloatArray, side: int) -> FloatArray:
    cut = (len(stamp) - side) // 2
    return stamp[cut : cut + side, cut : cut + side]


def mean_likelihood(evidence_: Sequence[FloatArray]) -> FloatArray:
    """Return ln of the mean of several likelihood ratios given by their logarithms, elementwise."""
    if len(evidence_) == 1:
        return evidence_[0]
    return np.asarray(np.logaddexp.reduce(np.stack(evidence_), axis=0) - math.log(len(evidence_)), dtype=np.float32)
