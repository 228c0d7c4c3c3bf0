"""A fibre or hair."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from .band_shadow import band_stamp
from .canvas import Canvas
from .mask import Outlined, mask_shadow, require_between, require_positive, shadow_of
from .optics import Optics
from .outline import band
from .propagate import Drawing
from .shadow import Shadow

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fibre(Outlined):
    """An opaque band of constant width along a smooth curve.

    While narrower than the projected pupil its depth is linear in the f-number (a grain's is quadratic),
    so fibres stay visible at wider apertures. As a class: longer than 100 µm and ten times its width (ASTM
    F51 §3.1.1). Its place is the middle of its length, which lies on its shadow.

    Attributes
    ----------
    x_mm, y_mm
        Place of the middle of its length on the filter from the optical axis.
    width_um, length_um
        Width, and length along the curve.
    curl_rad
        How far the direction swings along the fibre, 0 for a straight one.
    angle_deg
        Of its middle, from x to y.
    shape_seed
        Names the curve.
    """

    x_mm: float
    y_mm: float
    width_um: float
    length_um: float
    curl_rad: float = 0.0
    angle_deg: float = 0.0
    shape_seed: int = 0

    kind: ClassVar[str] = "fibre"

    def __post_init__(self) -> None:
        require_positive(self, "width_um", "length_um")
        require_between(self, "curl_rad", 0.0, 6.0)
        if self.length_um <= self.width_um:
            raise ValueError(f"Fibre.length_um must exceed width_um, not {self.length_um} and {self.width_um}")

    def centreline(self) -> FloatArray:
        """Return points (n, 2) in µm along the curve, its middle at the origin.

        The direction is a sum of five cosines of the arc length with amplitudes 1/k², so that the curvature
        is smooth.
        """
        count = 2 * max(16, math.ceil(self.length_um / 8)) + 1
        s = np.linspace(-0.5, 0.5, count)
        k = np.arange(1, 6)
        phase = np.random.default_rng(self.shape_seed).uniform(0, 2 * math.pi, k.size)
        swing = np.sin(math.pi * s[:, None] * k + phase) @ k**-2.0 - np.sin(phase) @ k**-2.0
        heading = math.radians(self.angle_deg) + self.curl_rad * swing
        step = self.length_um / (count - 1)
        middle = 0.5 * (heading[1:] + heading[:-1])
        run = step * np.column_stack([np.cos(middle), np.sin(middle)])
        points = np.concatenate([np.zeros((1, 2)), np.cumsum(run, axis=0)])
        return np.asarray(points - points[count // 2])

    def outline(self) -> FloatArray:
        """Return its corners (n, 2) in µm about its place."""
        return band(self.centreline(), self.width_um)

    @property
    def size_um(self) -> float:
        """Its width."""
        return self.width_um

    @property
    def feature_um(self) -> float:
        """Its width."""
        return self.width_um

    def shadow(self, optics: Optics, *, x: float, y: float) -> Shadow:
        """Return the shadow with the middle of its length on (x, y) in pixels of the frame.

        Right to 1e-3 in transmission for 0.5–2 mm and f/2.8–f/32; one that crosses itself goes the general way of drawn
        masks, right to some 2e-3.
        """
        aside = (x - round(x), y - round(y))
        transmission = band_stamp(self.centreline(), self.width_um, optics, offset_px=aside)
        if transmission is None:
            return mask_shadow(self, optics, x=x, y=y)
        return shadow_of(transmission, x=x, y=y, solid=self.solid)

    def draw(self, canvas: Canvas, wavelength_um: float) -> Drawing:
        """Return the covered share; all light on it is lost."""
        cover = canvas.coverage(self.outline())
        return Drawing(cover.astype(complex), float(cover.sum()) * canvas.pitch_um**2, averaged=True)
