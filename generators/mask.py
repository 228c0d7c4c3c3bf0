"""From anything drawn on the filter to its shadow: grid, drawing, propagation, width."""

from __future__ import annotations

import math
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from .bands import RGB_BANDS
from .canvas import Canvas
from .optics import Optics
from .outline import longest, reach
from .propagate import Drawing, mask_stamp
from .shadow import LUMINANCE, Shadow, odd_fast_length

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

COARSEST_UM = 2.2
"""Largest sample pitch."""

_PITCH_AT_F8_UM, _PITCH_BY_DISTANCE, _PITCH_BY_APERTURE = 2.2, 0.75, 0.43
"""The pitch at f/8 and 1 mm, and the powers by which it grows with the distance and falls with the f-number: light that
edges throw further than λd/(2·pitch) is missing, and shows the more, the nearer the filter and the sharper the shadow.
Against 15 samples a pixel, stamps of fibres of 8…25 µm err by 1e-3 of the light at f/8, 1.5e-3 at f/32 and at 2 mm by
less, at 0.5 mm by 1.7e-3; the plateau of `propagate` adds to that."""

_RINGS = 1.5
_LEAST_HALO, _HALO_BY_APERTURE, _MOST_HALO = 3.0, 0.37, 5.0
"""Room about an object: 1.5·λd/width holds the first diffraction ring of a narrow one, 3·√(λd) at f/8, more where the
shadow is sharper, the edge fringes of a wide one; 5·√(λd) bounds the cost of fine lines."""

_DIRECTIONS = 16


class Masked(Protocol):
    """What can be drawn: fibres, flakes, rings, droplets, scratches, irregular grains."""

    solid: ClassVar[bool]
    """Whether its width is that of the whole, not that of a line."""

    @property
    def reach_um(self) -> tuple[float, float]:
        """Largest |x| and |y| from its centre."""
        ...

    @property
    def feature_um(self) -> float:
        """Its finest width, which sets the spread of its diffraction."""
        ...

    @property
    def finest_pitch_um(self) -> float:
        """The sample pitch that its phase needs; infinite where only outlines matter."""
        ...

    @property
    def bend_rad(self) -> float:
        """The steepest angle by which it refracts light; 0 if it doesn't."""
        ...

    @property
    def wavelengths(self) -> int:
        """How many a band its phase has to be drawn at; 0 where one drawing does for all."""
        ...

    def draw(self, canvas: Canvas, wavelength_um: float) -> Drawing:
        """Return the object on a canvas."""
        ...


class Drawn:
    """What most kinds share: masks of one colour that don't refract, and a shadow by propagation."""

    __slots__ = ()

    solid: ClassVar[bool] = False

    @property
    def finest_pitch_um(self) -> float:
        """No phase, no need of fine samples."""
        return math.inf

    @property
    def bend_rad(self) -> float:
        """No refraction."""
        return 0.0

    @property
    def wavelengths(self) -> int:
        """One drawing for all."""
        return 0

    def shadow(self: Masked, optics: Optics, *, x: float, y: float) -> Shadow:
        """Return the shadow with the centre on (x, y) in pixels of the frame."""
        return mask_shadow(self, optics, x=x, y=y)


class Outlined(Drawn):
    """What kinds with one outline share: their extent and reach are read off its corners."""

    __slots__ = ()

    def outline(self) -> FloatArray:
        """Return its corners (n, 2) in µm about its place."""
        raise NotImplementedError

    @property
    def extent_um(self) -> float:
        """Greatest distance between two of its points."""
        return longest(self.outline())

    @property
    def reach_um(self) -> tuple[float, float]:
        """Largest |x| and |y|."""
        return reach(self.outline())


def require_positive(owner: object, *names: str) -> None:
    """Raise a ValueError that names the first field that is not a positive number."""
    for name in names:
        value = getattr(owner, name)
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{type(owner).__name__}.{name} must be a positive number, not {value!r}")


def require_between(owner: object, name: str, low: float, high: float) -> None:
    """Raise a ValueError that names a field outside low…high."""
    value = getattr(owner, name)
    if not low <= value <= high:
        raise ValueError(f"{type(owner).__name__}.{name} must be from {low:g} to {high:g}, not {value!r}")


def canvas_for(thing: Masked, optics: Optics, offset_px: tuple[float, float] = (0.0, 0.0)) -> Canvas:
    """Return a canvas that holds the object, its blur and its halo."""
    spread = RGB_BANDS[0].centre_um * optics.distance_um
    edge = math.sqrt(spread)
    sharper = max(optics.f_number / 8, 1.0)
    fringes = _LEAST_HALO * sharper**_HALO_BY_APERTURE * edge
    halo = min(max(_RINGS * spread / thing.feature_um, fringes), _MOST_HALO * edge)
    thrown = min(thing.bend_rad * optics.distance_um, 2 * _MOST_HALO * edge)
    margin = optics.blur_um / 2 + halo + thrown
    across, down = (odd_fast_length(2 * math.ceil((half + margin) / optics.pixel_um) + 3) for half in thing.reach_um)
    far_mm = optics.distance_um / 1000
    resolved = _PITCH_AT_F8_UM * far_mm**_PITCH_BY_DISTANCE * sharper**-_PITCH_BY_APERTURE
    pitch = min(COARSEST_UM, thing.finest_pitch_um, resolved)
    per_pixel = 2 * math.ceil((optics.pixel_um / pitch - 1) / 2) + 1
    return Canvas(down, across, max(1, per_pixel), optics.pixel_um, offset_px)


def mask_shadow(thing: Masked, optics: Optics, *, x: float, y: float) -> Shadow:
    """Return the shadow of a drawn object whose centre falls on (x, y) in pixels of the frame."""
    column, row = round(x), round(y)
    canvas = canvas_for(thing, optics, (x - column, y - row))
    if thing.wavelengths:
        drawn = [[thing.draw(canvas, float(w)) for w in band.nodes(thing.wavelengths)[0]] for band in RGB_BANDS]
        transmission = mask_stamp(drawn, optics, per_pixel=canvas.per_pixel)
    else:
        drawing = thing.draw(canvas, RGB_BANDS[0].centre_um)
        transmission = mask_stamp(drawing, optics, per_pixel=canvas.per_pixel)
    return shadow_of(transmission, x=x, y=y, solid=thing.solid)


def shadow_of(transmission: FloatArray, *, x: float, y: float, solid: bool) -> Shadow:
    """Return a stamp about the pixel nearest to (x, y) as the shadow of something centred there."""
    transmission.flags.writeable = False
    depth = 1.0 - np.tensordot(LUMINANCE, transmission, axes=1)
    across = width_across(depth, solid=solid)
    return Shadow(transmission=transmission, row=round(y), column=round(x), x=x, y=y, across_px=across)


def width_across(depth: FloatArray, *, solid: bool) -> float:
    """Return the full width at half the peak, in pixels, in the direction (of sixteen) in which it is least.

    Of a solid thing (grain, flake, droplet) lines run through the stamp's middle and the outermost places
    above half the peak count, so that neither a floor with a deeper rim nor a bright core breaks the width.
    Of a line (fibre, scratch, ring) they run through the darkest pixel and the nearest places below half the
    peak count. Half-pixel steps, linear interpolation. Where nothing is dark it is nan.
    """
    top = float(depth.max())
    if not top > 0:
        return math.nan
    row, column = (side // 2 for side in depth.shape) if solid else divmod(int(np.argmax(depth)), depth.shape[1])
    theta = np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    step = 0.5 * np.arange(math.ceil(2 * math.hypot(*depth.shape)))
    widths = np.zeros(_DIRECTIONS)
    for side in (1, -1):
        rows, columns = row + side * step * np.sin(theta)[:, None], column + side * step * np.cos(theta)[:, None]
        line = map_coordinates(depth, [rows, columns], order=1, mode="constant", cval=0.0) - top / 2
        widths += _outermost(line) if solid else _nearest(line)
    return float(widths.min() / 2)


def _nearest(lines: FloatArray) -> FloatArray:
    """Return for each line (n, steps) that starts above zero the step at which it first falls below."""
    below = np.argmax(lines < 0, axis=1)
    each = np.arange(len(lines))
    inner, outer = lines[each, below - 1], lines[each, below]
    return np.asarray(below - 1 + inner / (inner - outer))


def _outermost(lines: FloatArray) -> FloatArray:
    """Return for each line (n, steps) the step of its last fall below zero; 0 where it is never above."""
    above = lines >= 0
    last = lines.shape[1] - 1 - np.argmax(above[:, ::-1], axis=1)
    each = np.arange(len(lines))
    inner, outer = lines[each, last], lines[each, np.minimum(last + 1, lines.shape[1] - 1)]
    found = above.any(axis=1)
    return np.where(found, last + np.divide(inner, inner - outer, out=np.zeros(len(lines)), where=found), 0.0)
