"""Predicted shadows measured in the photograph itself, each against its own noise and scene."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ..contract import FloatArray, Photograph
from ..optical_scales import reduction
from ..picture import shrink
from ..profiles import Profile
from ..tile_spectra import spectra_at, windowed_template
from ..whitening import TILE, ComplexArray, noise_power, sine_window, twice_inside
from .predict import Prediction

LEAST_PX = 5.0
"""Shadows are left so many pixels wide where the photograph is shrunk."""

PIXEL_NOISE = 0.03
"""Noise of a pixel in log luminance that is added to what is measured. JPEG sets fine detail to nothing, the noise's
and the shadow's alike; without this the fit leaned on just that detail, and read shadows of small grains in smooth
sky 20 % too faint."""

MEASURABLE = 5.0
"""Expected signal over noise from which on a depth is worth quoting: its standard error is then a fifth."""

RIM_WIDTHS = 1.0
"""Nearer to the frame's rim than so many widths a shadow is cut off and isn't measured."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What the photograph says at predicted places, one entry a prediction.

    Attributes
    ----------
    factor
        By what factor of the predicted optical density the place is darker; 1 is as predicted.
    expected
        d′, the signal-to-noise ratio that the prediction would have there: the standard error of `factor` is its
        reciprocal.
    depth
        1 − (1 − predicted depth)^factor.
    """

    factor: NDArray[np.float64]
    expected: NDArray[np.float64]
    depth: NDArray[np.float64]

    @property
    def measurable(self) -> NDArray[np.bool_]:
        """Where the photograph allows measuring."""
        return self.expected >= MEASURABLE


def remeasure(photograph: Photograph, predictions: Sequence[Prediction]) -> Measured:
    """Return how deep each predicted shadow is in the photograph, at the predicted place.

    The whitened fit of the predicted profile: with F the spectrum of the tile about the place, S the template's and
    P the power density of what the fit leaves, factor = Re Σ F S*/P / Σ |S|²/P, d′ = √(Σ |S|²/P)/n.
    """
    x = np.array([prediction.x for prediction in predictions])
    y = np.array([prediction.y for prediction in predictions])
    factor, expected = Look(photograph, predictions).fit(x, y)
    rim = np.minimum.reduce([x, y, photograph.shape[1] - 1 - x, photograph.shape[0] - 1 - y])
    expected[rim < RIM_WIDTHS * np.array([p.shadow.fwhm_px for p in predictions])] = 0.0
    density = np.array([-math.log1p(-min(p.shadow.peak_depth, 0.999)) for p in predictions])
    return Measured(factor, expected, -np.expm1(-density * factor))


@dataclass(frozen=True, slots=True)
class _Level:
    """The predictions that are looked for at one shrinking: which, their templates, the picture's tiles."""

    which: NDArray[np.intp]
    step: int
    tiles: FloatArray
    templates: ComplexArray
    shape: tuple[int, ...]


class Look:
    """A photograph made ready to be asked for the same shadows at many places."""

    def __init__(self, photograph: Photograph, predictions: Sequence[Prediction]) -> None:
        self.window = sine_window()
        self.count = len(predictions)
        steps = np.array([reduction(p.shadow.fwhm_px, least_px=LEAST_PX) for p in predictions], dtype=int)
        self.levels = [self._level(photograph, predictions, steps, step) for step in sorted(set(steps.tolist()))]

    def _level(
        self, photograph: Photograph, predictions: Sequence[Prediction], steps: NDArray[np.int_], step: int
    ) -> _Level:
        picture = shrink(photograph, step)
        tiles = sliding_window_view(np.pad(picture.log, TILE, mode="symmetric"), (TILE, TILE))
        which = np.flatnonzero(steps == step)
        logs = [Profile(predictions[i].grain.diameter_um, predictions[i].optics).log(step) for i in which.tolist()]
        templates = np.stack([windowed_template(log, self.window) for log in logs])
        return _Level(which, step, tiles, templates, picture.log.shape)

    def fit(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return factor and d′ of each prediction's shadow at (x, y)."""
        factor, expected = np.zeros(self.count), np.zeros(self.count)
        for level in self.levels:
            places = [
                np.clip((line[level.which] - (level.step - 1) / 2) / level.step, 0, side - 1)
                for line, side in zip((y, x), level.shape, strict=True)
            ]
            factor[level.which], expected[level.which] = self._fit(level, *places)
        return factor, expected

    def _fit(
        self, level: _Level, y: NDArray[np.float64], x: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        found, turn = spectra_at(level.tiles, y.astype(np.float32), x.astype(np.float32), window=self.window)
        shadow = level.templates * turn
        gain = float(np.sum(self.window**2))
        energy = twice_inside(shadow.real**2 + shadow.imag**2)
        overlap = twice_inside(found.real * shadow.real + found.imag * shadow.imag)
        least = np.float32(PIXEL_NOISE**2 / level.step**2)
        power = noise_power(found, gain) + least
        factor = (overlap / power).sum(axis=(1, 2)) / (energy / power).sum(axis=(1, 2))
        power = noise_power(found - np.maximum(factor, 0)[:, None, None] * shadow, gain) + least
        strength = (energy / power).sum(axis=(1, 2))
        return (overlap / power).sum(axis=(1, 2)) / strength, np.sqrt(strength) / TILE
