"""Transfer functions between linear light and file codes."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

ENCODINGS = ("srgb", "linear")


def srgb_decode(value: NDArray[Any]) -> NDArray[np.float64]:
    """Return linear light in 0…1 of sRGB values in 0…1 (IEC 61966-2-1)."""
    v = np.asarray(value, dtype=np.float64)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def srgb_encode(linear: NDArray[Any]) -> NDArray[np.float64]:
    """Return sRGB values in 0…1 of linear light, clipped to 0…1 (IEC 61966-2-1)."""
    u = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.where(u <= 0.0031308, 12.92 * u, 1.055 * u ** (1 / 2.4) - 0.055)


@cache
def _decode_table(top: int, encoding: str) -> FloatArray:
    codes = np.arange(top + 1) / top
    table = (srgb_decode(codes) if encoding == "srgb" else codes).astype(np.float32)
    table.flags.writeable = False
    return table


def decode(pixels: NDArray[Any], encoding: str) -> FloatArray:
    """Return linear light, float32 of the same shape, of 8- or 16-bit codes.

    Raises
    ------
    ValueError
        If the codes are neither uint8 nor uint16, or the encoding is unknown.
    """
    if encoding not in ENCODINGS:
        raise ValueError(f"unknown encoding {encoding!r}; known are {', '.join(ENCODINGS)}")
    if pixels.dtype not in (np.uint8, np.uint16):
        raise ValueError(f"pixels must be uint8 or uint16, not {pixels.dtype}")
    table = _decode_table(int(np.iinfo(pixels.dtype).max), encoding)
    if pixels.dtype == np.uint8 and pixels.ndim in (2, 3) and pixels.size:
        from .cv import cv2  # the same values from the same table, many times sooner

        light = cv2.LUT(np.ascontiguousarray(pixels), table).reshape(pixels.shape)
        return np.asarray(light, dtype=np.float32)
    return np.asarray(table.take(pixels))  # a third of the time of table[pixels]


_ENCODE_STEPS = 1 << 16


@cache
def _encode_table(top: int) -> NDArray[Any]:
    # Indexed by the square root of light: sRGB is nearly a square root, so the table is fine in the shadows.
    light = (np.arange(_ENCODE_STEPS + 1) / _ENCODE_STEPS) ** 2
    table = np.rint(srgb_encode(light) * top).astype(np.uint8 if top == 255 else np.uint16)
    table.flags.writeable = False
    return table


def encode(linear: NDArray[Any], *, bits: int, encoding: str) -> NDArray[Any]:
    """Return 8- or 16-bit codes of linear light, clipped to 0…1 and rounded.

    Raises
    ------
    ValueError
        If `bits` is not 8 or 16, or the encoding is unknown.
    """
    if bits not in (8, 16):
        raise ValueError(f"bits must be 8 or 16, not {bits}")
    if encoding not in ENCODINGS:
        raise ValueError(f"unknown encoding {encoding!r}; known are {', '.join(ENCODINGS)}")
    top = (1 << bits) - 1
    clipped = np.clip(np.asarray(linear, dtype=np.float32), 0.0, 1.0)
    if encoding == "linear":
        return np.rint(clipped * top).astype(np.uint8 if bits == 8 else np.uint16)
    if bits == 16:  # the table would cost up to one code of sixteen bits
        return np.rint(srgb_encode(clipped) * top).astype(np.uint16)
    place = np.sqrt(clipped)
    place *= _ENCODE_STEPS
    return np.asarray(_encode_table(top).take(np.rint(place, out=place).astype(np.intp)))
