"""What a detector may see, what it must answer, and the base class for methods that look at one frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from ..generators.transfer import decode

FloatArray = NDArray[np.float32]

DARKEST = 1e-4
"""Linear floor under every logarithm: a quarter of the first 8-bit sRGB code (1/255/12.92 = 3.0e-4)."""

LUMINANCE_WEIGHTS = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
"""Relative luminance of linear sRGB primaries (IEC 61966-2-1, ITU-R BT.709)."""

STRIP_ROWS = 16
"""Rows decoded at a time; from 16 to 64 it takes the same time within a tenth."""


@dataclass(frozen=True, slots=True)
class Photograph:
    """All that a detector may see of one exposure: the pixels and what the file's metadata would say.

    Attributes
    ----------
    pixels
        Array (height, width, 3), uint8 or uint16, encoded as `encoding` says. Read-only.
    f_number
        As marked on the lens (5.6, 11, 22), or None where the file does not say.
    pixel_um
        Pitch of the photosites in µm, or None where unknown.
    encoding
        ``"srgb"`` (IEC 61966-2-1) or ``"linear"``.
    roll
        Photographs of one camera that share their dust carry the same roll name.
    is_test_frame
        True for a frame taken on purpose of a plain bright screen.
    """

    pixels: NDArray[Any]
    f_number: float | None = None
    pixel_um: float | None = None
    encoding: str = "srgb"
    roll: str = ""
    is_test_frame: bool = False

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return int(self.pixels.shape[0]), int(self.pixels.shape[1])

    def linear(self) -> FloatArray:
        """Linear light, float32 (height, width, 3), 1.0 where the file saturates."""
        return decode(self.pixels, self.encoding)

    def luminance(self) -> FloatArray:
        """Relative luminance of linear light, float32 (height, width)."""
        from ..generators.cv import cv2  # here, since this module is imported to list names

        # Strip by strip: what lies between stays in the processor's cache, and the linear picture of 24 megapixels
        # alone would take 288 MB.
        light = np.empty(self.shape, dtype=np.float32)
        for top in range(0, len(light), STRIP_ROWS):
            rows = slice(top, top + STRIP_ROWS)
            cv2.transform(decode(self.pixels[rows], self.encoding), LUMINANCE_WEIGHTS[None], dst=light[rows])
        return light

    def log_luminance(self) -> FloatArray:
        """Natural logarithm of luminance, where a shadow is additive: log(S·T) = log S + log T."""
        return np.asarray(np.log(np.maximum(self.luminance(), DARKEST)), dtype=np.float32)


def _column() -> FloatArray:
    return np.zeros(0, dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Spots:
    """Scored candidates, one entry a spot in four arrays of equal length.

    The pixel convention of the whole project: (0, 0) is the centre of the first pixel, x runs to the
    right, y runs down. A larger score means more like dust. Nothing found is an empty `Spots`.

    Attributes
    ----------
    x, y
        Centre in pixels.
    diameter_px
        Estimated full width at half depth, in pixels.
    score
        Any finite number; only its order counts.
    """

    x: FloatArray = field(default_factory=_column)
    y: FloatArray = field(default_factory=_column)
    diameter_px: FloatArray = field(default_factory=_column)
    score: FloatArray = field(default_factory=_column)

    def __post_init__(self) -> None:
        columns = {}
        for name in ("x", "y", "diameter_px", "score"):
            column = np.array(getattr(self, name), dtype=np.float32)
            if column.ndim != 1:
                raise ValueError(f"Spots.{name} must have one dimension, not shape {column.shape}")
            column.flags.writeable = False
            object.__setattr__(self, name, column)
            columns[name] = len(column)
        if len(set(columns.values())) != 1:
            raise ValueError(f"Spots needs four arrays of equal length, not {columns}")

    def __len__(self) -> int:
        return len(self.x)

    def take(self, index: NDArray[Any]) -> Spots:
        """Return the spots that `index` (integers or booleans) picks, in that order."""
        return Spots(self.x[index], self.y[index], self.diameter_px[index], self.score[index])

    def strongest(self, count: int) -> Spots:
        """Return at most `count` spots, highest score first; equal scores keep their order."""
        return self.take(np.argsort(-self.score, kind="stable")[:count])


@runtime_checkable
class Detector(Protocol):
    """Anything with a name, a version and a `detect`."""

    name: str
    version: str

    def detect(self, roll: Sequence[Photograph]) -> list[Spots]:
        """Return scored candidates for each photograph of the roll, in its order, down to a low floor."""
        ...


@runtime_checkable
class Cumulative(Protocol):
    """A detector that answers for a roll as it grows without looking at each photograph anew for each length."""

    def detect_latest(self, roll: Sequence[Photograph], counts: Sequence[int]) -> list[Spots]:
        """Return what ``detect(roll[:count])[-1]`` would, for each of the rising counts."""
        ...


class SingleFrame:
    """Base of the methods that look at each photograph alone.

    >>> class Corner(SingleFrame):
    ...     name, version = "corner", "1"
    ...     def detect_one(self, photograph):
    ...         return Spots(x=[0], y=[0], diameter_px=[9], score=[1])
    >>> grey = Photograph(np.full((64, 64, 3), 128, np.uint8))
    >>> [len(spots) for spots in Corner().detect([grey, grey])]
    [1, 1]
    """

    name: str
    version: str

    def detect(self, roll: Sequence[Photograph]) -> list[Spots]:
        """Look at each photograph of the roll by itself."""
        return [self.detect_one(photograph) for photograph in roll]

    def detect_latest(self, roll: Sequence[Photograph], counts: Sequence[int]) -> list[Spots]:
        """Look at the photographs of these numbers alone, since the others change nothing."""
        return [self.detect_one(roll[count - 1]) for count in counts]

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the candidates in one photograph."""
        raise NotImplementedError
