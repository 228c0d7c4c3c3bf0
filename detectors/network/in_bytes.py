"""The evidence network between bytes: what it is shown and what it says, each in one byte, pixel by pixel.

The network's first layer and its last cost more in single precision than all that lies between them in integers, and
what they read and write is rounded anyway: the scene to its noise, the words to what is kept of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...generators.cv import cv2
from ..contract import DARKEST, LUMINANCE_WEIGHTS, Photograph
from ..picture import SATURATED
from .features import CELL, CHANNELS, DARK_LEVEL, GAIN, View, shrunk, surround
from .runtime import HAS_ONNXRUNTIME, MULTIPLE, REACH, Forward, Weights, by_opencv, session, strips, widened

FloatArray = NDArray[np.float32]
Bytes = NDArray[np.uint8]
ByteForward = Callable[[Bytes], Bytes]
"""From what is shown (2h, w, LANES) to what is said (outputs, h, w), h and w multiples of MULTIPLE."""

NOTHING = 128
"""The byte that stands for 0 in what is shown."""

CONTRAST, LEVEL = 128 / 6, 127.0
"""Bytes a unit of the contrasts, of which even ln DARKEST in luminance gives less than 6, and of all other features.
What bytes don't reach, of colours or pupils out of the ordinary, is the nearest that they do."""

PER_UNIT = np.array([CONTRAST] * 6 + [LEVEL] * 3, dtype=np.float32)
"""Bytes a unit of each of the features."""

LANES = 16
"""Bytes of two features' pixels side by side, a width that processors multiply at once: the contrasts as they lie in
the picture, four in its upper row and four in the lower; two of each colour ratio; two of brightness; the pupil's width
and whether that is known, once for both."""

SAID_PER_UNIT, SAID_NOTHING = 16.0, 64
"""Bytes a unit of evidence, and the byte of none: bytes reach from -4 to just under 12."""

CELLS_AT_ONCE = 400_000 if HAS_ONNXRUNTIME else 150_000
"""Cells of a strip: those of 24 megapixels at half their size; fewer by OpenCV, which keeps what all layers say."""

ROWS = 64
"""Rows of the network's picture that are made at a time: what lies between stays in the processor's cache."""


def shown_in_bytes(photograph: Photograph, view: View) -> tuple[Bytes, NDArray[np.bool_]]:
    """Return `features` as bytes (2h, w, LANES), and which cells (h, w) are blank (see `features.blank_cells`).

    Rows and columns that fill no whole cell are left out; then what is shown is widened to multiples of MULTIPLE cells.
    """
    rows, columns = (side // view.cell_px for side in photograph.shape)
    log = np.empty((CELL * rows, CELL * columns), dtype=np.float32)
    half = np.empty((3, 2 * rows, 2 * columns), dtype=np.float32)
    for top in range(0, len(log), ROWS):
        band = slice(top * view.step, min(top + ROWS, len(log)) * view.step)
        shot = Photograph(photograph.pixels[band, : log.shape[1] * view.step], encoding=photograph.encoding)
        here = slice(top // 2, top // 2 + ROWS // 2)
        _lights(shrunk(shot.linear(), view.step), log[top : top + ROWS], half[:, here])
    shown = np.full((2 * widened(rows), widened(columns), LANES), NOTHING, dtype=np.uint8)
    _fill(shown[: 2 * rows, :columns], log, half, view)
    return shown, _blank(half[0])


def _lights(light: FloatArray, log: FloatArray, half: FloatArray) -> None:
    """Write the log luminance of light (h, w, 3), and its mean and the two colour ratios at half the size."""
    cv2.transform(light, LUMINANCE_WEIGHTS[None], dst=log)
    cv2.log(np.maximum(log, DARKEST, out=log), dst=log)
    size = half.shape[:0:-1]
    cv2.resize(log, size, dst=half[0], interpolation=cv2.INTER_AREA)
    colour = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    red, green, blue = cv2.split(cv2.log(np.maximum(colour, DARKEST)))
    cv2.subtract(red, green, dst=half[1])
    cv2.subtract(blue, green, dst=half[2])


def _fill(shown: Bytes, log: FloatArray, half: FloatArray, view: View) -> None:
    """Write all lanes, given the log luminance (4h, 4w) and three planes at half of that size."""
    size = half.shape[:0:-1]
    around = [cv2.resize(surround(plane), size, interpolation=cv2.INTER_LINEAR) for plane in half]
    fours, twos = shown.view(np.uint32), shown.view(np.uint16)
    for top in range(0, len(shown), ROWS):
        here, fine = slice(top, top + ROWS), slice(2 * top, 2 * (top + ROWS))
        both = cv2.resize(around[0][here], log[fine].shape[::-1], interpolation=cv2.INTER_NEAREST)
        contrast = _contrast(log[fine], both).view(np.uint32)
        fours[here, :, 0], fours[here, :, 1] = contrast[::2], contrast[1::2]
        for ratio in (1, 2):
            twos[here, :, 3 + ratio] = _contrast(half[ratio, here], around[ratio][here]).view(np.uint16)
        level = cv2.exp(half[0, here] / 2)
        twos[here, :, 6] = cv2.convertScaleAbs(level, alpha=2 * LEVEL, beta=NOTHING - LEVEL).view(np.uint16)
    if view.pupil_px is not None:
        pupil = np.array([math.log2(view.pupil_px / 8), 1.0])
        shown[..., 14:] = np.clip(np.rint(NOTHING + LEVEL * pupil), 0, 255)


def _contrast(plane: FloatArray, around: NDArray[Any]) -> Bytes:
    """Return asinh(GAIN·(plane − around)) in bytes."""
    over = np.subtract(plane, around, dtype=np.float32)
    over *= np.float32(GAIN)
    np.maximum(np.arcsinh(over, out=over), np.float32(-NOTHING / CONTRAST), out=over)  # below that it would be folded
    return np.asarray(cv2.convertScaleAbs(over, alpha=CONTRAST, beta=NOTHING), dtype=np.uint8)


def _blank(half: FloatArray) -> NDArray[np.bool_]:
    clipped = (half > math.log(SATURATED)) | (half < 2 * math.log(DARK_LEVEL))
    rows = clipped[::2] & clipped[1::2]
    return np.asarray(rows[:, ::2] & rows[:, 1::2])


def said_in_bytes(shown: Bytes, forward: ByteForward, *, strip: int | None = None) -> Bytes:
    """Return what is said (outputs, h, w), the same whatever the strips.

    Parameters
    ----------
    strip
        Cells of a strip's own height, a multiple of MULTIPLE; as many as are CELLS_AT_ONCE if not given.
    """
    rows, columns = shown.shape[0] // 2, shown.shape[1]
    strip = strip or max(REACH, CELLS_AT_ONCE // columns // MULTIPLE * MULTIPLE)
    parts = [forward(shown[2 * seen.start : 2 * seen.stop])[:, own] for seen, own in strips(rows, strip)]
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)


@lru_cache(maxsize=2)
def network_in_bytes(weights: Weights) -> ByteForward:
    """Return a shipped network, run by onnxruntime where that is installed and by OpenCV elsewhere."""
    return run_in_bytes(weights.read()) if HAS_ONNXRUNTIME else rounded(by_opencv(weights.read()))


def run_in_bytes(data: bytes) -> ByteForward:
    """Return a network between bytes, run by onnxruntime on one thread."""
    run = session(data)

    def forward(shown: Bytes) -> Bytes:
        (said,) = run.run(None, {"shown": shown[None]})
        return np.asarray(said[0], dtype=np.uint8)

    return forward


def rounded(forward: Forward) -> ByteForward:
    """Return a network in single precision as one between bytes."""
    return lambda shown: words_in_bytes(forward(unpacked(shown)[None])[0])


def words_in_bytes(evidence: FloatArray) -> Bytes:
    """Return evidence in bytes, the nearest that there are."""
    return np.asarray(np.clip(np.rint(evidence * SAID_PER_UNIT) + SAID_NOTHING, 0, 255), dtype=np.uint8)


def words(bytes_: Bytes) -> FloatArray:
    """Return the evidence that bytes (h, w) stand for."""
    return np.asarray(cv2.LUT(bytes_, _WORDS), dtype=np.float32)


_WORDS = ((np.arange(256) - SAID_NOTHING) / SAID_PER_UNIT).astype(np.float32)

BOUNDS = float(_WORDS[0]), float(_WORDS[-1])
"""The least and the largest evidence that bytes stand for, -4 and 11.94."""


def lanes() -> list[tuple[int, int]]:
    """Return for each lane its feature and which of two pixels side by side it is of; the last two are of both."""
    phases = [(2 * row + column, pixel) for row in (0, 1) for pixel in (0, 1) for column in (0, 1)]
    return phases + [(feature, pixel) for feature in (4, 5, 6) for pixel in (0, 1)] + [(7, 0), (8, 0)]


def packed(features: FloatArray) -> Bytes:
    """Return features (CHANNELS, 2h, 2w) in lanes of bytes (2h, w, LANES)."""
    bytes_ = np.clip(np.rint(features * PER_UNIT[:, None, None]) + NOTHING, 0, 255)
    return np.stack([bytes_[feature, :, pixel::2] for feature, pixel in lanes()], axis=2).astype(np.uint8)


def unpacked(shown: Bytes) -> FloatArray:
    """Return lanes of bytes as features."""
    features = np.empty((CHANNELS, shown.shape[0], 2 * shown.shape[1]), dtype=np.float32)
    for lane, (feature, pixel) in enumerate(lanes()):
        plane = (shown[..., lane].astype(np.float32) - NOTHING) / PER_UNIT[feature]
        features[feature, :, pixel::2] = plane
        if feature > 6:
            features[feature, :, 1::2] = plane
    return features
