"""What a photograph shows about a spot: its log luminance, shrunk so that shadows are a few pixels wide."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import DARKEST, FloatArray, Photograph
from ...detectors.whitening import TILE
from ...generators.cv import cv2
from ...generators.transfer import decode

LUMA = np.array([[0.299, 0.587, 0.114]], dtype=np.float32)
"""Weights of encoded red, green and blue in the brightness that JPEG stores (ITU-R BT.601)."""


def log_about(photograph: Photograph, column: int, row: int, step: int) -> FloatArray:
    """Return log luminance about a pixel of the shrunken picture, (2 TILE, 2 TILE), mirrored at the frame's borders."""
    sides = [max(1, side // step) for side in photograph.shape]
    spans = [
        (max(0, min(at, n - 1) - TILE), min(n, max(at, 0) + TILE)) for at, n in zip((row, column), sides, strict=True)
    ]
    (top, bottom), (left, right) = spans
    codes = photograph.pixels[top * step : bottom * step, left * step : right * step]
    light: NDArray[Any] = _light(codes, photograph.encoding)
    if step > 1:
        light = cv2.resize(light, (right - left, bottom - top), interpolation=cv2.INTER_AREA)
    log: FloatArray = np.log(np.maximum(light, np.float32(DARKEST)))
    if log.shape == (2 * TILE, 2 * TILE):
        return log
    index = [
        mirrored(np.arange(at - TILE, at + TILE), n) - span[0]
        for at, n, span in zip((row, column), sides, spans, strict=True)
    ]
    rows, columns = (np.clip(line, 0, n - 1) for line, n in zip(index, log.shape, strict=True))
    return np.asarray(log[rows[:, None], columns])


def _light(codes: NDArray[Any], encoding: str) -> FloatArray:
    """Return the linear light of the codes' luma (ITU-R BT.601).

    A shadow scales all bands' codes nearly alike, so it scales their luma's light like their luminance; but JPEG keeps
    luma at full size, while luminance takes in colours that it has blurred.
    """
    scale = 65_535 // np.iinfo(codes.dtype).max
    luma = cv2.transform(codes.astype(np.float32), LUMA * scale)
    return decode(np.rint(luma).astype(np.uint16), encoding)


def mirrored(index: NDArray[np.intp], length: int) -> NDArray[np.intp]:
    """Return which sample of a line stands where an index points, beyond its ends its mirror images."""
    folded = np.mod(index, 2 * length)
    return np.where(folded < length, folded, 2 * length - 1 - folded)
