"""From a painting at half the resolution to the frame: enlarged, with fine texture at full resolution.

A lens, an anti-aliasing filter and demosaicing leave little contrast at the finest octave of a photograph
(common practice), so shapes and colours are painted on a canvas of one sample for every 2×2 pixels, at a
quarter of the cost, and only a luminance texture is made for every pixel.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from . import room
from .base import FloatArray
from .tiles import Laid, Patchwork

SAMPLE_PX = 2
"""Pixels of the frame to a sample of the canvas."""

BAND_PX = 128
"""Rows of the frame painted at a time: what is needed for them stays near the processor."""

STRIP_PX = 64
"""Rows of the frame enlarged, textured and put together at a time, in the second cache."""

MARGIN = 1
"""Canvas rows that linear interpolation looks at beyond a band."""

CRISP = np.array(((0, -1, 0), (-1, 12, -1), (0, -1, 0)), dtype=np.float32) / 8
"""What linear enlargement softens, made good to waves of four samples (0.99 of their amplitude; 0.79 without)."""

Painting = Callable[[slice], FloatArray]
"""Gives the planes (3 or 4, rows, columns) of the canvas rows asked for: a whole canvas of them need never exist,
and what is computed on the way to a band stays in the processor's cache. What it gives is the caller's to change."""


@dataclass(frozen=True, slots=True)
class Texture:
    """Fine modulation of the light by exp(amount · noise).

    Attributes
    ----------
    work
        Noise of mean 0, in frame pixels.
    amount
        Standard deviation in log luminance for noise of variance 1; None where the canvas has it as a fourth plane.
    """

    work: Patchwork
    amount: float | None

    def over(self, shape: tuple[int, int], rng: np.random.Generator) -> Laid:
        """Return rows of the gain; of the noise where its amount differs from place to place.

        Gains are laid as they are, so that the exponential is taken of one tile only.
        """
        work = self.work.wide(shape)
        if self.amount is None:
            return work.over(shape, rng)
        gain = np.exp(np.float32(self.amount) * work.tile)
        return replace(work, tile=gain, mean=float(gain.mean())).over(shape, rng)


def canvas_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Return the canvas that covers a frame of `shape` pixels."""
    return -(-shape[0] // SAMPLE_PX), -(-shape[1] // SAMPLE_PX)


def full_size(
    canvas: FloatArray | Painting,
    shape: tuple[int, int],
    rng: np.random.Generator,
    texture: Texture | None = None,
) -> FloatArray:
    """Return the frame, float32 (height, width, 3), of a canvas of planes (3, rows, columns) or what paints its rows.

    Light below 0 is cut off; it may be above 1, where the camera saturates.
    """
    import cv2

    height, width = canvas_shape(shape)
    out = room.empty((SAMPLE_PX * height, SAMPLE_PX * width, 3))
    laid = None if texture is None else texture.over(out.shape[:2], rng)
    rooms = np.empty((5, STRIP_PX + 2 * SAMPLE_PX * MARGIN, out.shape[1]), dtype=np.float32)
    for top in range(0, len(out), BAND_PX):
        band = slice(top, min(top + BAND_PX, len(out)))
        rows = _needed(band, height)
        planes = canvas(rows) if callable(canvas) else canvas[:, rows]
        if planes.min() < 0:
            planes = np.maximum(planes, 0, out=planes if callable(canvas) else None)
        picture = list(planes) if laid is not None else [cv2.merge(list(planes))]
        for first in range(top, band.stop, STRIP_PX):
            strip = slice(first, min(first + STRIP_PX, band.stop))
            if laid is None:
                _enlarge(picture[0], rows.start, strip, out)
            else:
                large = [_enlarged(plane, rows.start, strip, free) for plane, free in zip(picture, rooms, strict=False)]
                gain = _gain(laid.rows(strip, rooms[4]), *large[3:])
                cv2.merge([np.multiply(plane, gain, out=plane) for plane in large[:3]], dst=out[strip])
    return out if out.shape[:2] == shape else np.ascontiguousarray(out[: shape[0], : shape[1]])


def widened(rows: slice, margin: int, height: int, *, even: bool = False) -> tuple[slice, slice]:
    """Return rows with a margin, cut at 0 and `height`, and where `rows` lie among them.

    With `even` the first has an even number, so that a grid twice as coarse is the same whatever is asked for.
    """
    first = max(rows.start - margin, 0)
    first -= first % 2 if even else 0
    return slice(first, min(rows.stop + margin, height)), slice(rows.start - first, rows.stop - first)


def in_bands(paint: Callable[[slice], FloatArray], canvas: tuple[int, int]) -> FloatArray:
    """Return a plane, float32 of the canvas's shape, of what gives its rows, asked for in bands."""
    plane = np.empty(canvas, dtype=np.float32)
    step = BAND_PX // SAMPLE_PX
    for top in range(0, canvas[0], step):
        part = slice(top, min(top + step, canvas[0]))
        plane[part] = paint(part)
    return plane


def crisp(plane: FloatArray) -> FloatArray:
    """Return a plane of the canvas with its finest waves as much stronger as enlargement makes them weaker."""
    import cv2

    return np.asarray(cv2.filter2D(plane, -1, CRISP), dtype=np.float32)


def _gain(noise: FloatArray, amount: FloatArray | None = None) -> FloatArray:
    """Return what is laid as a gain, or, of noise, exp(amount · noise), in place."""
    import cv2

    return noise if amount is None else np.asarray(cv2.exp(np.multiply(noise, amount, out=noise), dst=noise))


def _needed(part: slice, height: int) -> slice:
    """Return the rows, of a canvas `height` high, that some rows of the frame are made from."""
    first, last = part.start // SAMPLE_PX - MARGIN, -(-part.stop // SAMPLE_PX) + MARGIN
    return slice(max(first, 0), min(last, height))


def _enlarged(plane: FloatArray, start: int, part: slice, room: FloatArray) -> FloatArray:
    """Return rows of the frame of a plane of which the first row is that row of the canvas, in some rows of `room`."""
    import cv2

    rows = _needed(part, start + len(plane))
    small = plane[rows.start - start : rows.stop - start]
    large = room[: SAMPLE_PX * len(small)]
    cv2.resize(small, large.shape[::-1], dst=large, interpolation=cv2.INTER_LINEAR)
    first = part.start - SAMPLE_PX * rows.start
    return large[first : first + part.stop - part.start]


def _enlarge(picture: FloatArray, start: int, part: slice, out: FloatArray) -> None:
    """Enlarge rows of the canvas, of which the first of `picture` is `start`, into the rows `part` of a frame.

    Interpolation is wrong in the outermost rows of what it is given: those above are put back, those below come next.
    """
    import cv2

    rows = _needed(part, start + len(picture))
    there = slice(SAMPLE_PX * rows.start, SAMPLE_PX * rows.stop)
    above = out[there.start : part.start].copy()
    size = (out.shape[1], there.stop - there.start)
    cv2.resize(picture[rows.start - start : rows.stop - start], size, dst=out[there], interpolation=cv2.INTER_LINEAR)
    out[there.start : part.start] = above
