"""Frames as a screen shows them, rendered again from their recipes: the store keeps no pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..generators.scene import Scene, render
from ..generators.transfer import decode, encode
from .store import FrameRow


def rendered(row: FrameRow) -> NDArray[np.uint8]:
    """Return a stored frame as 8-bit sRGB (height, width, 3)."""
    scene = Scene.from_json(row.recipe)
    return eight_bit(render(scene).pixels, scene.camera.encoding)


def eight_bit(pixels: NDArray[Any], encoding: str) -> NDArray[np.uint8]:
    """Return pixels of any encoding as 8-bit sRGB."""
    if pixels.dtype == np.uint8 and encoding == "srgb":
        return pixels
    return np.asarray(encode(decode(pixels, encoding), bits=8, encoding="srgb"))
