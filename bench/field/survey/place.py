"""Where on the sensor itself a place of the picture lies, for somebody who looks into the mount.

A lens turns the image on the sensor by 180°; the camera turns it back. Behind the camera, with the sensor seen from
its back as it were, the picture's top is at the bottom and its left at the right. Who faces the mount sees the sensor
from the other side, so left and right swap once more: the picture's top is at the bottom, its left stays left.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


class OnSensor(NamedTuple):
    """A place as seen facing the mount, camera upright.

    Attributes
    ----------
    right_mm, up_mm
        From the sensor's centre.
    """

    right_mm: float
    up_mm: float


def facing_the_mount(x: float, y: float, *, shape: tuple[int, int], pixel_um: float) -> OnSensor:
    """Return where a place (pixels of the picture as stored, camera upright) is seen when facing the mount."""
    height, width = shape
    pitch = pixel_um / 1000
    return OnSensor((x - (width - 1) / 2) * pitch, (y - (height - 1) / 2) * pitch)


def in_words(place: OnSensor, *, size_mm: tuple[float, float]) -> str:
    """Return the place in words: the third of the sensor each way.

    >>> in_words(OnSensor(-15.0, 2.0), size_mm=(36.0, 24.0)), in_words(OnSensor(0.0, 0.0), size_mm=(36.0, 24.0))
    ('left', 'centre')
    >>> in_words(OnSensor(10.0, -9.0), size_mm=(36.0, 24.0))
    'bottom right'
    """
    column = ("left", "", "right")[1 + _third(place.right_mm, size_mm[0])]
    row = ("bottom", "", "top")[1 + _third(place.up_mm, size_mm[1])]
    return " ".join(word for word in (row, column) if word) or "centre"


def _third(value: float, length: float) -> int:
    return 0 if abs(value) <= length / 6 else (1 if value > 0 else -1)
