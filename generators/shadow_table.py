"""Shadows of many grains under one optics: radial profiles computed once, laid into frames by interpolation."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from .bands import RGB_BANDS
from .cv import cv2
from .optics import Optics
from .profile import radial_profile
from .shadow import Shadow

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

_RATIO = 0.05
"""Step between tabled sizes as a share of the size, for small grains."""

_STEP_PX = 0.5
"""Largest step between tabled sizes in pixel pitches: edges then move by a quarter of a pixel."""

_SAMPLE_PX = 1 / 12
"""Step of the profiles in pixel pitches; they are interpolated linearly."""

_NODE_UM = 1.0
"""Step at which profiles are summed; a cubic spline fills in, as pupil and pixel leave no detail below 3 µm."""

_FOURFOLD = 1e-4
"""R₄ is left out where it stays below this in the whole table."""

_TAIL = 4e-4
"""A profile ends where 1 − T stays below this."""


@dataclass(frozen=True, slots=True)
class ShadowTable:
    """Profiles of opaque round grains for one optics, for drawing many shadows fast.

    A shadow under a round pupil and a square pixel is R₀(r) + R₄(r) cos 4θ to 1e-5, θ the angle to the
    pixel's sides. Both are tabled over r for a fixed series of sizes and interpolated: by a cubic in
    size, linearly in r. Against `shadow.stamp` the transmission errs by at most 1e-3 for grains of
    5–150 µm at 0.5–3 mm, f/4–f/32 and pixels of 3–9 µm, and the light lost by at most 1 %. The table
    depends on nothing but its arguments: the order in which shadows are drawn changes no bit.

    Attributes
    ----------
    optics
        Aperture, filter distance and pixel; a round pupil.
    smallest_um, largest_um
        The range of grain diameters.

    Raises
    ------
    ValueError
        If the pupil is bladed, or the range is empty.
    """

    optics: Optics
    smallest_um: float = 5.0
    largest_um: float = 150.0
    _profiles: Float32Array = field(init=False, repr=False, compare=False)
    _halves: tuple[int, ...] = field(init=False, repr=False, compare=False)
    _fourfold: bool = field(init=False, repr=False, compare=False)
    _even: Float32Array = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.optics.blades != 0:
            raise ValueError(f"a ShadowTable needs a round pupil, not {self.optics.blades} blades; use shadow.cast")
        if not 0 < self.smallest_um < self.largest_um < math.inf:
            raise ValueError(
                f"a ShadowTable needs 0 < smallest_um < largest_um, not {self.smallest_um} and {self.largest_um}"
            )
        low, high = math.floor(self._rank(self.smallest_um)) - 1, math.ceil(self._rank(self.largest_um)) + 2
        sizes = [self._size(rank) for rank in range(low, high + 1)]
        pitch = self.optics.pixel_um
        alone = [_reach_um(size, self.optics) for size in sizes]
        # Four neighbours are blended: each reaches as far as the widest of them.
        reaches = [max(alone[max(0, i - 2) : i + 3]) for i in range(len(sizes))]
        halves = tuple(math.ceil(max(reaches[max(0, i - 1) : i + 3]) / pitch) for i in range(len(sizes)))
        radii = np.arange(0.0, max(reaches) / pitch + 2 * _SAMPLE_PX, _SAMPLE_PX) * pitch
        profiles = np.ones((len(sizes), len(radii), 2, len(RGB_BANDS)), np.float32)
        for size, reach, profile in zip(sizes, reaches, profiles, strict=True):
            inside = radii <= reach
            coarse = np.linspace(0.0, reach, 2 + math.ceil(reach / _NODE_UM))
            pair = CubicSpline(coarse, radial_profile(coarse, size, self.optics, reach_um=reach), axis=-1)
            plain, fourfold = pair(radii[inside])
            profile[inside, 0] -= (plain - fourfold).T
            profile[inside, 1] -= (plain + fourfold).T
        object.__setattr__(self, "_profiles", _read_only(profiles))
        object.__setattr__(self, "_halves", halves)
        fourfold = bool(np.abs(profiles[:, :, 1] - profiles[:, :, 0]).max() > 2 * _FOURFOLD)
        side = 2 * max(halves) + 1
        object.__setattr__(self, "_fourfold", fourfold)
        object.__setattr__(self, "_even", _read_only(np.full((side, side), 0.5, np.float32)))

    def _rank(self, diameter_um: float) -> float:
        """Return the size's place in the series: logarithmic up to a step of `_STEP_PX`, then linear."""
        knee = _STEP_PX * self.optics.pixel_um / _RATIO
        ratio = diameter_um / knee
        return (math.log(ratio) if ratio < 1 else ratio - 1) / _RATIO

    def _size(self, rank: float) -> float:
        knee = _STEP_PX * self.optics.pixel_um / _RATIO
        step = rank * _RATIO
        return knee * (math.exp(step) if step < 0 else 1 + step)

    def _light(self, diameter_um: float, dx: float, dy: float) -> Float32Array:
        """Return T, float32 (n, n, 3), of a shadow (dx, dy) pixels off the middle pixel.

        The profile comes from four sizes by Lagrange's cubic; as a picture two pixels wide, R₀ − R₄ and
        R₀ + R₄, it is read at the radius and at the share of either.
        """
        if not self.smallest_um <= diameter_um <= self.largest_um:
            raise ValueError(
                f"this ShadowTable holds grains of {self.smallest_um}–{self.largest_um} µm, not {diameter_um!r}"
            )
        place = self._rank(diameter_um) - math.floor(self._rank(self.smallest_um)) + 1
        i = int(place)
        t = place - i
        a, b = t * (t - 1) / 2, (t + 1) * (t - 2) / 2
        cubic = np.array([a * (2 - t) / 3, b * (t - 1), -b * t, a * (t + 1) / 3], np.float32)
        half = self._halves[i]
        samples = min(self._profiles.shape[1], math.ceil(1.5 * half / _SAMPLE_PX))
        four = self._profiles[i - 1 : i + 3, :samples].reshape(4, -1)
        profile = np.einsum("i,ij->j", cubic, four).reshape(samples, 2, -1)
        line = np.arange(-half, half + 1)
        x2 = ((line - dx) * (1 / _SAMPLE_PX)).astype(np.float32) ** 2
        y2 = ((line - dy) * (1 / _SAMPLE_PX)).astype(np.float32) ** 2
        square = y2[:, None] + x2
        share = self._share(x2, y2, square)
        radius = np.sqrt(square, out=square)
        return np.asarray(cv2.remap(profile, share, radius, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    def _share(self, x2: Float32Array, y2: Float32Array, square: Float32Array) -> Float32Array:
        """Return (1 + cos 4θ)/2 = 1 − 4x²y²/r⁴, the share of R₀ + R₄; one half where R₄ matters nowhere."""
        half = len(x2) // 2
        if not self._fourfold:
            return self._even[: 2 * half + 1, : 2 * half + 1]
        # R₄ is zero at the centre, so what stands for 0/0 there is of no account.
        share = np.multiply.outer(y2, x2)
        share *= -4
        share /= np.maximum(square * square, np.finfo(np.float32).tiny)
        share += 1
        return share

    def cast(self, diameter_um: float, x: float, y: float) -> Shadow:
        """Return the shadow of a grain whose centre falls on (x, y) in pixels of the frame."""
        light, row, column = self.light(diameter_um, x, y)
        transmission = np.moveaxis(light, -1, 0).astype(float)
        transmission.flags.writeable = False
        return Shadow(transmission=transmission, row=row, column=column, x=x, y=y)

    def light(self, diameter_um: float, x: float, y: float) -> tuple[Float32Array, int, int]:
        """Return T of a shadow on (x, y) as a picture, float32 (n, n, 3), and its middle's row and column."""
        column, row = round(x), round(y)
        return self._light(diameter_um, x - column, y - row), row, column

    def draw(
        self, linear: Float32Array, diameters_um: Iterable[float], xs: Iterable[float], ys: Iterable[float]
    ) -> None:
        """Multiply linear light, float32 (height, width, 3), by the shadows of grains at (x, y), in place."""
        for diameter, x, y in zip(diameters_um, xs, ys, strict=True):
            self._draw_one(linear, float(diameter), float(x), float(y))

    def _draw_one(self, linear: Float32Array, diameter_um: float, x: float, y: float) -> None:
        light, row, column = self.light(diameter_um, x, y)
        half = len(light) // 2
        top, left = max(0, row - half), max(0, column - half)
        patch = linear[top : max(0, row + half + 1), left : max(0, column + half + 1)]
        if patch.size:
            skip_y, skip_x = top - row + half, left - column + half
            part = light[skip_y : skip_y + patch.shape[0], skip_x : skip_x + patch.shape[1]]
            np.multiply(patch, part, out=patch)


def _reach_um(diameter_um: float, optics: Optics) -> float:
    """Return the radius from which on 1 − T stays below `_TAIL`, at least that of the shadow by rays."""
    edge = (diameter_um + optics.blur_um) / 2
    drift = RGB_BANDS[0].centre_um * optics.distance_um
    furthest = edge + 5 * max(drift / diameter_um, math.sqrt(drift)) + optics.pixel_um
    radii = np.arange(edge, furthest, optics.pixel_um)
    plain, _ = radial_profile(radii, diameter_um, optics, reach_um=furthest)
    visible = np.flatnonzero(np.abs(plain).max(axis=0) > _TAIL)
    return float(radii[visible[-1]] if visible.size else edge) + optics.pixel_um


def _read_only(array: Float32Array) -> Float32Array:
    array.flags.writeable = False
    return array
