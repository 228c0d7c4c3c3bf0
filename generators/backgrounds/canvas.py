"""From a painting at half the resolution to the frame: enlarged, with fine texture at full resolution.

A lens, an anti-aliasing filter and demosaicing leave little contrast at the finest octave of a photograph
(common practice), so shapes and colours are painted on a canvas of one sample for every 2×2 pixels, at a
quarter of the cost, and only a luminance texture is made for every pixel.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from .base import FloatArray
from .raster import cached
from .tiles import Patchwork

SAMPLE_PX = 2
"""Pixels of the frame to a sample of the canvas."""

BAND_PX = 192
"""Rows of the frame made at a time: all that is needed for them stays in the processor's cache."""

MARGIN = 2
"""Canvas rows that cubic interpolation looks at beyond a band."""

Painting = Callable[[slice], FloatArray]
"""Gives the planes (3 or 4, rows, columns) of the canvas rows asked for: a whole canvas of them need never exist,
and what is computed on the way to a band stays in the processor's cache."""


@dataclass(frozen=True, slots=True)
class Texture:
    """Fine modulation of the light by exp(amount · noise).

    Attributes
    ----------
    work
        Noise of mean 0, in frame pixels; its stride must be a multiple of `BAND_PX`.
    amount
        Standard deviation in log luminance for noise of variance 1; None where the canvas has it as a fourth plane.
    """

    work: Patchwork
    amount: float | None


def canvas_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Return the canvas that covers a frame of `shape` pixels."""
    return -(-shape[0] // SAMPLE_PX), -(-shape[1] // SAMPLE_PX)


def full_size(
    canvas: FloatArray | Painting,
    shape: tuple[int, int],
    rng: np.random.Generator,
    texture: Texture | None = None,
    most: float = math.inf,
) -> FloatArray:
    """Return the frame, float32 (height, width, 3), of a canvas of planes (3, rows, columns) or what paints its rows.

    Negative overshoot of the interpolation is cut off, and light above `most`.
    """
    import cv2

    out = np.empty((*shape, 3), dtype=np.float32)
    noise = _plain(shape) if texture is None else texture.work.wide(shape).bands(shape, rng, rows=BAND_PX)
    large: list[FloatArray] = []
    for number, grain in enumerate(noise):
        top = number * BAND_PX
        rows = _needed(top, len(grain), canvas_shape(shape)[0])
        large = _enlarged(canvas(rows) if callable(canvas) else canvas[:, rows], large)
        skip = top - SAMPLE_PX * rows.start
        planes = [np.ascontiguousarray(plane[skip : skip + len(grain), : shape[1]]) for plane in large]
        gain = None if texture is None else _gain(grain, planes.pop() if texture.amount is None else texture.amount)
        for part in cached(grain.shape):
            lit = [plane[part] for plane in planes]
            for plane in lit:
                if gain is not None:
                    np.multiply(plane, gain[part], out=plane)
                cv2.threshold(plane, 0.0, 0.0, cv2.THRESH_TOZERO, dst=plane)
                if most < math.inf:
                    cv2.threshold(plane, most, 0.0, cv2.THRESH_TRUNC, dst=plane)
            cv2.merge(lit, dst=out[top : top + len(grain)][part])
    return out


def widened(rows: slice, margin: int, height: int) -> tuple[slice, slice]:
    """Return rows with a margin, cut at 0 and `height`, and where `rows` lie among them."""
    first = max(rows.start - margin, 0)
    return slice(first, min(rows.stop + margin, height)), slice(rows.start - first, rows.stop - first)


def in_bands(paint: Callable[[slice], FloatArray], canvas: tuple[int, int]) -> FloatArray:
    """Return a plane, float32 of the canvas's shape, of what gives its rows, asked for in bands."""
    plane = np.empty(canvas, dtype=np.float32)
    step = BAND_PX // SAMPLE_PX
    for top in range(0, canvas[0], step):
        part = slice(top, min(top + step, canvas[0]))
        plane[part] = paint(part)
    return plane


def _plain(shape: tuple[int, int]) -> Iterator[FloatArray]:
    """Yield as many empty bands as a texture would fill."""
    for top in range(0, shape[0], BAND_PX):
        yield np.empty((min(BAND_PX, shape[0] - top), shape[1]), dtype=np.float32)


def _gain(grain: FloatArray, amount: FloatArray | float) -> FloatArray:
    """Return exp(amount · noise), in the noise's place."""
    import cv2

    np.multiply(grain, np.asarray(amount, dtype=np.float32), out=grain)
    return np.asarray(cv2.exp(grain, dst=grain), dtype=np.float32)


def _needed(top: int, count: int, height: int) -> slice:
    """Return the rows, of a canvas `height` high, that `count` rows of the frame from `top` on are made from."""
    return slice(max(top // SAMPLE_PX - MARGIN, 0), min(-(-(top + count) // SAMPLE_PX) + MARGIN, height))


def _enlarged(planes: FloatArray, room: list[FloatArray]) -> list[FloatArray]:
    """Return planes at the frame's resolution, in the room of earlier ones where it fits: new memory costs time."""
    import cv2

    size = (SAMPLE_PX * planes.shape[2], SAMPLE_PX * planes.shape[1])
    rooms: list[FloatArray | None] = [*room] or [None] * len(planes)
    return [
        np.asarray(cv2.resize(plane, size, old, interpolation=cv2.INTER_CUBIC), dtype=np.float32)
        for plane, old in zip(planes, rooms, strict=True)
    ]
