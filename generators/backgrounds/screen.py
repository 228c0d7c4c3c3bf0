"""A test frame: a bright screen or wall, out of focus, taken to look for dust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray
from .canvas import SAMPLE_PX, canvas_shape, full_size
from .noise import Spectrum, field
from .raster import Rows, colour, columns, rows

MOTTLE = 0.004
"""Standard deviation in log luminance of the screen's slow unevenness."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A defocused blemish: a soft ellipse of 25…140 px, 0.3…2.5 %, mostly darker.

    Attributes
    ----------
    x, y
        Centre in frame pixels; (0, 0) is the centre of the first pixel.
    sigma_px
        Standard deviation along its length, pixels; across it is `ratio` times that.
    ratio
        Width over length.
    angle_deg
        Direction of the length, clockwise from the x axis as seen.
    depth
        Peak darkening in log luminance; negative is brighter.
    """

    x: float
    y: float
    sigma_px: float
    ratio: float
    angle_deg: float
    depth: float

    def add(self, log_light: FloatArray) -> None:
        """Add the mark to log luminance on the canvas, in place."""
        # The centre of pixel 0 lies a quarter of a canvas sample before the centre of sample 0.
        x, y = ((at + 0.5) / SAMPLE_PX - 0.5 for at in (self.x, self.y))
        sigma, angle = self.sigma_px / SAMPLE_PX, np.radians(self.angle_deg)
        reach = int(4 * sigma) + 1
        top, left = max(int(y) - reach, 0), max(int(x) - reach, 0)
        part = log_light[top : int(y) + reach + 1, left : int(x) + reach + 1]
        dy = np.arange(part.shape[0])[:, None] + top - y
        dx = np.arange(part.shape[1])[None, :] + left - x
        along, across = dx * np.cos(angle) + dy * np.sin(angle), dy * np.cos(angle) - dx * np.sin(angle)
        bell = np.exp(-0.5 * (along**2 + (across / self.ratio) ** 2) / sigma**2)
        part -= (self.depth * bell).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Screen:
    """A plain bright screen with shading and faint marks of its own, which move from frame to frame.

    Attributes
    ----------
    marks
        How many blemishes of the screen there are on average; dust stays in place, they don't.
    """

    marks: float = 6.0

    def __post_init__(self) -> None:
        if not 0 <= self.marks <= 1000:
            raise ValueError(f"marks must be from 0 to 1000, not {self.marks}")

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3)."""
        marks = self.blemishes(shape, rng)
        canvas = canvas_shape(shape)
        level = rng.uniform(0.52, 0.68)
        warmth = rng.uniform(-0.06, 0.06)
        log_light = field(canvas, Spectrum(2.0, None, 24.0), rng)
        log_light *= np.float32(MOTTLE)
        for mark in marks:
            mark.add(log_light)
        tint = colour(1 + warmth, 1.0, 1 - warmth)
        shades = vignette(canvas, rng), _falloff(canvas, rng)

        def planes(part: slice) -> FloatArray:
            light = np.exp(log_light[part])
            for shade in shades:
                light *= shade(part)
            light *= np.float32(level)
            return np.asarray(tint * light, dtype=np.float32)

        return full_size(planes, shape, rng)

    def blemishes(self, shape: tuple[int, int], rng: np.random.Generator) -> tuple[Mark, ...]:
        """Return the marks of one frame; `paint` draws the same ones from the same generator state."""
        return tuple(_mark(shape, rng) for _ in range(int(rng.poisson(self.marks))))


def vignette(shape: tuple[int, int], rng: np.random.Generator, light: float = 1.0) -> Rows:
    """Return what gives `light` times cos⁴ of the field angle: natural vignetting, the corners 8…20° off the axis."""
    corner = np.tan(np.radians(rng.uniform(8.0, 20.0)))
    scale = light**-0.5 * corner**2 / (0.25 * (shape[0] ** 2 + shape[1] ** 2))
    down = (light**-0.5 + (rows(shape) - 0.5) ** 2 * shape[0] ** 2 * scale).astype(np.float32)
    across = ((columns(shape) - 0.5) ** 2 * shape[1] ** 2 * scale).astype(np.float32)

    def planes(part: slice) -> FloatArray:
        secant = down[part] + across
        secant *= secant
        return np.asarray(np.reciprocal(secant, out=secant), dtype=np.float32)

    return planes


def _falloff(shape: tuple[int, int], rng: np.random.Generator) -> Rows:
    """Return what gives a one-sided fall of up to 15 % across the frame: a screen seen at an angle."""
    angle, depth = rng.uniform(0, 2 * np.pi), rng.uniform(0.02, 0.15)
    across, down = (columns(shape) - 0.5) * np.cos(angle), (rows(shape) - 0.5) * np.sin(angle)
    return lambda part: np.asarray(1 - depth * (across + down[part] + 0.5), dtype=np.float32)


def _mark(shape: tuple[int, int], rng: np.random.Generator) -> Mark:
    return Mark(
        x=rng.uniform(-0.5, shape[1] - 0.5),
        y=rng.uniform(-0.5, shape[0] - 0.5),
        sigma_px=float(np.exp(rng.uniform(np.log(12.0), np.log(60.0)))),
        ratio=rng.uniform(0.5, 1.0),
        angle_deg=rng.uniform(0.0, 180.0),
        depth=0.025 * rng.uniform(0.35, 1.0) ** 2 * (1.0 if rng.random() < 0.75 else -0.5),
    )
