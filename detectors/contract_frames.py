"""Frames that try a detector's manners: one plain shadow, nothing at all, and what no camera ought to deliver."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .contract import Photograph

SPOT_X, SPOT_Y, SPOT_WIDTH = 200.0, 130.0, 30.0
"""Place and width in pixels of the shadow in `sky`."""

F_NUMBER = 5.6
"""At which a grain 1 mm away casts a shadow 30 pixels of 6 µm wide."""

PLAIN: dict[str, NDArray[Any]] = {
    "black": np.zeros((96, 128, 3), np.uint8),
    "white": np.full((96, 128, 3), 255, np.uint8),
    "grey": np.full((96, 128, 3), 128, np.uint8),
    "grey, 16 bits": np.full((96, 128, 3), 30000, np.uint16),
}

SHAPES = ((1, 1), (1, 500), (500, 1), (7, 9), (33, 31), (64, 65), (90, 401))
"""Height and width in pixels."""

METADATA = ((None, None), (1.4, 6.0), (64.0, 2.0), (0.0, 0.0), (float("nan"), 30.0))
"""F-number and pixel pitch in µm."""


def sky(*, exposure: float = 1.0, bits: int = 8) -> NDArray[Any]:
    """Return (320, 400, 3) pixels: a smooth bright gradient with camera noise and one round shadow, read-only."""
    shape = (320, 400)
    y, x = np.indices(shape)
    rim = np.clip((SPOT_WIDTH / 2 - np.hypot(x - SPOT_X, y - SPOT_Y)) / 6 + 0.5, 0, 1)
    light = (0.25 + 0.1 * y / shape[0]) * (1 - 0.2 * rim)
    noisy = light * (1 + np.random.default_rng(7).normal(0, 0.01, shape)) * exposure
    top = 2**bits - 1
    codes = np.rint(np.clip(noisy, 0, 1) ** (1 / 2.2) * top).astype(f"uint{bits}")
    return _three(codes)


def noise(shape: tuple[int, int], *, bits: int = 8) -> NDArray[Any]:
    """Return (height, width, 3) pixels that are uniform over all codes, read-only."""
    top = 2**bits - 1
    pixels = np.random.default_rng(1).integers(0, top, (*shape, 3), dtype=f"uint{bits}", endpoint=True)
    pixels.flags.writeable = False
    return pixels


def half_black_half_saturated() -> NDArray[Any]:
    """Return the sky with its left part black and its right part saturated."""
    pixels = sky().copy()
    pixels[:, :120] = 0
    pixels[:, 280:] = 255
    return pixels


def frame(pixels: NDArray[Any], f_number: float | None = F_NUMBER, pixel_um: float | None = 6.0) -> Photograph:
    """Return a photograph of these pixels."""
    return Photograph(np.ascontiguousarray(pixels), f_number=f_number, pixel_um=pixel_um)


def _three(codes: NDArray[Any]) -> NDArray[Any]:
    pixels = np.repeat(codes[..., None], 3, axis=2)
    pixels.flags.writeable = False
    return pixels
