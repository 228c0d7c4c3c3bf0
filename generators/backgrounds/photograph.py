"""The user's own clean photographs as backgrounds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..photo_io import Picture, list_pictures, read_picture
from ..transfer import ENCODINGS, decode
from .base import FloatArray


@dataclass(frozen=True, slots=True)
class PhotographFolder:
    """A folder of clean pictures: one is picked, and a random part of it is cut to the shape of the frame.

    A picture at least twice as large as the frame in both directions is halved first, in linear light (the
    mean of every 2×2 pixels), which takes away most of its JPEG artefacts, its noise and its sharpening.
    Smaller ones are cut at full size. Nothing is ever enlarged: enlarged pictures lack the fine texture that
    makes the job hard, so one smaller than the frame is an error.

    "Clean" is the user's word: a shadow of dust already in a picture is in no truth list and counts as a
    false alarm. Where a picture was clipped, a shadow put on it shows, though in a photograph taken that
    bright it would not. Pixel values are decoded as sRGB (or linear) whatever the colour profile, which
    leaves shadows of the right depth in profiles with the same tone curve and nearly right in those of
    gamma 2.2.

    Attributes
    ----------
    folder
        Where the pictures are; folders inside it aren't searched.
    file
        Name of the one picture to use, as `sources` lists it. Empty: one is drawn for every frame. A scene
        that names its picture lets all cuttings of one picture count as one block.
    encoding
        ``"srgb"`` or ``"linear"``.
    exposure
        Factor on linear light. Below 1 it leaves room for camera noise where the picture is nearly white.
    """

    folder: str
    file: str = ""
    encoding: str = "srgb"
    exposure: float = 0.9

    def __post_init__(self) -> None:
        if self.encoding not in ENCODINGS:
            raise ValueError(f"unknown encoding {self.encoding!r}; known are {', '.join(ENCODINGS)}")
        if not 0 < self.exposure <= 1:
            raise ValueError(f"exposure must be above 0 and at most 1, not {self.exposure}")

    def sources(self) -> tuple[str, ...]:
        """Return the names of the pictures that are drawn from, sorted.

        Raises
        ------
        FileNotFoundError
            If the folder doesn't exist, holds no picture, or lacks the `file`.
        """
        names = tuple(path.name for path in list_pictures(self.folder))
        if not names:
            raise FileNotFoundError(f"{self.folder} holds no picture (JPEG, PNG, TIFF or HEIC); add some")
        if self.file and self.file not in names:
            raise FileNotFoundError(f"{self.folder} holds no picture {self.file!r}; name one of its {len(names)}")
        return (self.file,) if self.file else names

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3), cut from one picture.

        Raises
        ------
        FileNotFoundError
            As `sources`.
        ValueError
            If the picture drawn can't be read or is smaller than the frame.
        """
        names = self.sources()
        name = names[int(rng.integers(len(names)))]
        picture = read_picture(Path(self.folder) / name)
        return self._cut(picture, shape, rng) * np.float32(self.exposure)

    def _cut(self, picture: Picture, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        h, w = shape
        if picture.height < h or picture.width < w:
            raise ValueError(
                f"{picture.path} is {picture.width}×{picture.height}, smaller than the frame of {w}×{h}; "
                "remove it or ask for smaller frames"
            )
        scale = 2 if picture.height >= 2 * h and picture.width >= 2 * w else 1
        top = scale * int(rng.integers(picture.height // scale - h + 1))
        left = scale * int(rng.integers(picture.width // scale - w + 1))
        part = decode(picture.pixels[top : top + scale * h, left : left + scale * w], self.encoding)
        return _halved(part) if scale == 2 else part


def _halved(linear: FloatArray) -> FloatArray:
    """Return the mean of every 2×2 pixels."""
    return (linear[::2, ::2] + linear[1::2, ::2] + linear[::2, 1::2] + linear[1::2, 1::2]) * np.float32(0.25)
