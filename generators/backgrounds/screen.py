"""A test frame: a bright screen or wall, out of focus, taken to look for dust."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .base import FloatArray
from .noise import Spectrum, field
from .raster import columns, rows

MOTTLE = 0.004
"""Standard deviation in log luminance of the screen's slow unevenness."""


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
        level = rng.uniform(0.52, 0.68)
        cast = np.array([1.0, 1.0, 1.0]) + rng.uniform(-0.06, 0.06) * np.array([1.0, 0.0, -1.0])
        shading = _vignette(shape, rng) * _falloff(shape, rng)
        log_marks = MOTTLE * field(shape, Spectrum(2.0, None, 48.0), rng)
        for _ in range(int(rng.poisson(self.marks))):
            _add_mark(log_marks, rng)
        plain = (level * shading * np.exp(log_marks)).astype(np.float32)
        return np.asarray(plain[..., None] * cast, dtype=np.float32)


def _vignette(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Return cos⁴ of the field angle: natural vignetting, with the corners 8…20° off the axis."""
    corner = np.tan(np.radians(rng.uniform(8.0, 20.0)))
    squared = (rows(shape) - 0.5) ** 2 * shape[0] ** 2 + (columns(shape) - 0.5) ** 2 * shape[1] ** 2
    tangent2 = squared * (corner**2 / (0.25 * (shape[0] ** 2 + shape[1] ** 2)))
    return np.asarray((1 + tangent2) ** -2, dtype=np.float32)


def _falloff(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Return a one-sided fall of up to 15 % across the frame: a screen seen at an angle."""
    angle, depth = rng.uniform(0, 2 * np.pi), rng.uniform(0.02, 0.15)
    along = (columns(shape) - 0.5) * np.cos(angle) + (rows(shape) - 0.5) * np.sin(angle)
    return np.asarray(1 - depth * (along + 0.5), dtype=np.float32)


def _add_mark(log_marks: FloatArray, rng: np.random.Generator) -> None:
    """Add one defocused blemish in place: a soft ellipse of 25…140 px, 0.3…2.5 %, mostly darker."""
    h, w = log_marks.shape
    y, x = rng.uniform(0, h), rng.uniform(0, w)
    sigma = np.exp(rng.uniform(np.log(12.0), np.log(60.0)))
    ratio, angle = rng.uniform(0.5, 1.0), rng.uniform(0, np.pi)
    depth = 0.025 * rng.uniform(0.35, 1.0) ** 2 * (-1 if rng.random() < 0.75 else 0.5)
    reach = int(4 * sigma) + 1
    top, left = max(int(y) - reach, 0), max(int(x) - reach, 0)
    part = log_marks[top : int(y) + reach, left : int(x) + reach]
    dy = np.arange(part.shape[0])[:, None] + top - y
    dx = np.arange(part.shape[1])[None, :] + left - x
    along, across = dx * np.cos(angle) + dy * np.sin(angle), dy * np.cos(angle) - dx * np.sin(angle)
    part += depth * np.exp(-0.5 * (along**2 + (across / ratio) ** 2) / sigma**2).astype(np.float32)
