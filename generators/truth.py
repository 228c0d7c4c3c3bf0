"""What lies in a rendered frame: the labels."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .optics import Optics
from .particles import Particle
from .shadow import Shadow

FloatArray = NDArray[np.float64]


class Placed(NamedTuple):
    """A particle on the filter, with a number that stays its own through a roll."""

    identity: int
    particle: Particle


class Cast(NamedTuple):
    """A particle whose shadow's centre lies in the frame, and that shadow."""

    placed: Placed
    shadow: Shadow


KEPT_SHADOWS = 128
"""Shadows kept from one frame to the next: those of a roll's grains at three apertures; some 75 kB each, of a long
fibre 4 MB."""


@lru_cache(maxsize=KEPT_SHADOWS)
def _shadow(particle: Particle, optics: Optics, x: float, y: float) -> Shadow:
    """Return a particle's shadow; in a roll the same one falls on the same place in exposure after exposure."""
    return particle.shadow(optics, x=x, y=y)


def cast_all(filter_: Iterable[Placed], optics: Optics, shape: tuple[int, int]) -> list[Cast]:
    """Return the shadows whose centres fall inside a frame (height, width).

    A particle whose centre falls outside is left out altogether, so that nothing unlabelled lies in a frame.
    """
    height, width = shape
    scale = optics.magnification / (optics.pixel_um / 1000.0)
    found = []
    for placed in filter_:
        x = placed.particle.x_mm * scale + (width - 1) / 2
        y = placed.particle.y_mm * scale + (height - 1) / 2
        if -0.5 <= x < width - 0.5 and -0.5 <= y < height - 0.5:
            found.append(Cast(placed, _shadow(placed.particle, optics, x, y)))
    return found


@dataclass(frozen=True, slots=True)
class Truth:
    """What lies in a frame, one entry a particle whose centre is inside it.

    Attributes
    ----------
    x, y
        Centre in pixels; (0, 0) is the centre of the first pixel.
    diameter_um
        Diameter, of a flake or irregular grain that of the disk with its area; the width of a fibre or scratch.
    depth
        Peak 1 − T in luminance.
    fwhm_px
        Full width at half depth.
    loss_px2
        ∫(1 − T) in pixel areas.
    detectability
        d′ of the observer that knows shape, place and the local spectrum of ground and noise.
    luminance
        Mean linear luminance of the clean ground under the shadow.
    gain
        Peak T − 1 in luminance: how much a droplet's core or a bright rim adds.
    extent_px
        Long axis: the greatest distance between two points of the thing on the sensor, never less than
        `fwhm_px`. Of a fibre, `fwhm_px` is the width of its shadow and (x, y) the middle of its length.
    half_width_px, half_height_px
        Half sides of the upright box about (x, y) that holds the thing's outline, without blur.
    kind
        grain, fibre, flake, ring, droplet or scratch.
    identity
        A number that a particle keeps through a roll; in a single scene, its place in the population.
    x_mm, y_mm
        Place on the filter from the optical axis; unlike (x, y) it does not depend on the lens.
    """

    x: FloatArray
    y: FloatArray
    diameter_um: FloatArray
    depth: FloatArray
    fwhm_px: FloatArray
    loss_px2: FloatArray
    detectability: FloatArray
    luminance: FloatArray
    gain: FloatArray
    extent_px: FloatArray
    half_width_px: FloatArray
    half_height_px: FloatArray
    kind: NDArray[np.str_]
    identity: NDArray[np.int64]
    x_mm: FloatArray
    y_mm: FloatArray

    def __len__(self) -> int:
        return len(self.x)

    @classmethod
    def of(cls, casts: Sequence[Cast], grounds: Sequence[tuple[float, float]], optics: Optics) -> Truth:
        """Return the labels of shadows, `grounds` their (detectability, luminance)."""
        shadows = [cast.shadow for cast in casts]
        particles = [cast.placed.particle for cast in casts]
        per_um = optics.magnification / optics.pixel_um
        extents = [particle.extent_um * per_um for particle in particles]
        return cls(
            x=_column(shadow.x for shadow in shadows),
            y=_column(shadow.y for shadow in shadows),
            diameter_um=_column(particle.size_um for particle in particles),
            depth=_column(shadow.peak_depth for shadow in shadows),
            fwhm_px=_column(shadow.fwhm_px for shadow in shadows),
            loss_px2=_column(shadow.loss_px2 for shadow in shadows),
            detectability=_column(ground[0] for ground in grounds),
            luminance=_column(ground[1] for ground in grounds),
            gain=_column(float(-shadow.depth.min()) for shadow in shadows),
            extent_px=_column(max(a, s.fwhm_px) for a, s in zip(extents, shadows, strict=True)),
            half_width_px=_column(particle.reach_um[0] * per_um for particle in particles),
            half_height_px=_column(particle.reach_um[1] * per_um for particle in particles),
            kind=_frozen(np.array([particle.kind for particle in particles], dtype="U8")),
            identity=_frozen(np.array([cast.placed.identity for cast in casts], dtype=np.int64)),
            x_mm=_column(particle.x_mm for particle in particles),
            y_mm=_column(particle.y_mm for particle in particles),
        )

    def on(self, grounds: Sequence[tuple[float, float]]) -> Truth:
        """Return the labels with the grounds' (detectability, luminance)."""
        return replace(
            self,
            detectability=_column(ground[0] for ground in grounds),
            luminance=_column(ground[1] for ground in grounds),
        )


def _column(values: Iterable[float]) -> FloatArray:
    return _frozen(np.array(list(values), dtype=float))


def _frozen(column: NDArray[Any]) -> NDArray[Any]:
    column.flags.writeable = False
    return column
