"""The user's own clean photographs as backgrounds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..photo_cache import SHARED
from ..photo_facts import known_f_number, read_mask
from ..photo_io import MASK_ENDING, Picture, list_pictures
from ..transfer import ENCODINGS, decode
from .base import FloatArray

BoolArray = NDArray[np.bool_]

WIDE_F_NUMBER = 5.6
"""Up to this f-number dust seldom shows (common practice): a 50 µm grain takes 9 % of the light at f/5.6 and
1 mm where it takes 71 % at f/16."""

TRIES = 16
"""Places tried in a picture with a mask, of which the one with the least masked area is taken."""


@dataclass(frozen=True, slots=True)
class PhotographFolder:
    """A folder of clean pictures: one is picked, and a random part of it is cut to the shape of the frame.

    A picture at least twice as large as the frame in both directions is halved first, in linear light (the
    mean of every 2×2 pixels), which takes away most of its JPEG artefacts, its noise and its sharpening.
    Smaller ones are cut at full size. Nothing is ever enlarged: enlarged pictures lack the fine texture that
    makes the job hard, so one smaller than the frame is an error.

    "Clean" is the user's word: a shadow of dust already in a picture is in no truth list and counts as a
    false alarm. So pictures taken at f/5.6 or wider are preferred, and a picture may have a mask beside it:
    a PNG of its size called like it with the ending ``.mask.png`` (after the stem, or after the whole name as
    `moteyard find` and `check-photos` write it), white where nothing is to be placed or judged. Places with
    little of it are preferred, and `ignored` tells what is left of it in the frame.

    Where a picture was clipped, a shadow put on it shows, though in a photograph taken that bright it would
    not. Pixel values are decoded as sRGB (or linear) whatever the colour profile, which leaves shadows of the
    right depth in profiles with the same tone curve and nearly right in those of gamma 2.2.

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
    prefer_wide
        Whether, where EXIF says of some pictures that they were taken at f/5.6 or wider, only those are used.
    """

    folder: str
    file: str = ""
    encoding: str = "srgb"
    exposure: float = 0.9
    prefer_wide: bool = True

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
        names = self._names()
        if self.file and self.file not in names:
            raise FileNotFoundError(f"{self.folder} holds no picture {self.file!r}; name one of its {len(names)}")
        if self.file:
            return (self.file,)
        return (self._wide(names) or names) if self.prefer_wide else names

    def _names(self) -> tuple[str, ...]:
        names = tuple(path.name for path in list_pictures(self.folder))
        if not names:
            raise FileNotFoundError(f"{self.folder} holds no picture (JPEG, PNG, TIFF or HEIC); add some")
        return names

    def _wide(self, names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(name for name in names if _at_most(self._f_number(name), WIDE_F_NUMBER))

    def _f_number(self, name: str) -> float | None:
        return known_f_number(Path(self.folder) / name)

    def notes(self) -> tuple[str, ...]:
        """Return what the user should know about the pictures that are used, a sentence each.

        Raises
        ------
        FileNotFoundError
            As `sources`.
        """
        used, names = self.sources(), self._names()
        unknown = sum(self._f_number(name) is None for name in used)
        small = len(used) - unknown - len(self._wide(used))
        notes = []
        if not self.file and len(used) < len(names):
            notes.append(
                f"{len(used)} of the {len(names)} pictures in {self.folder} are used, those taken at "
                f"f/{WIDE_F_NUMBER:g} or wider, where dust seldom shows"
            )
        if unknown or small:
            counts = [f"{small} taken above f/{WIDE_F_NUMBER:g}"] if small else []
            counts += [f"{unknown} of unknown f-number"] if unknown else []
            notes.append(
                f"of the {len(used)} pictures used in {self.folder}, {' and '.join(counts)} may show dust of their "
                f"own, which would count as false alarms; moteyard check-photos {self.folder} looks for it"
            )
        return tuple(notes)

    def mask(self, name: str) -> BoolArray | None:
        """Return where a picture is not to be used, (height, width) as displayed, or None without a mask file.

        Raises
        ------
        ValueError
            If the picture or a mask can't be read, or the two differ in size.
        """
        files = self.mask_files(name)
        if not files:
            return None
        picture = SHARED.read(Path(self.folder) / name)
        whole = np.zeros((picture.height, picture.width), dtype=bool)
        for file in files:
            mask = read_mask(file)
            if mask.shape != whole.shape:
                raise ValueError(
                    f"{file} is {mask.shape[1]}×{mask.shape[0]} and its picture {picture.width}×{picture.height}; "
                    "make the mask anew from the picture"
                )
            whole |= mask
        return whole

    def mask_files(self, name: str) -> tuple[Path, ...]:
        """Return the mask files beside a picture: none, one, or one of either way to name it."""
        path = Path(self.folder) / name
        named = (path.with_name(path.stem + MASK_ENDING), path.with_name(path.name + MASK_ENDING))
        return tuple(file for file in named if file.is_file())

    def paint(self, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
        """Return linear radiance, float32 (height, width, 3), cut from one picture.

        Raises
        ------
        FileNotFoundError
            As `sources`.
        ValueError
            If the picture drawn can't be read or is smaller than the frame.
        """
        cut = self._draw(shape, rng)
        rows, columns, scale = cut.rows, cut.columns, cut.scale
        part = decode(cut.picture.pixels[rows, columns], self.encoding)
        return (_halved(part) if scale == 2 else part) * np.float32(self.exposure)

    def ignored(self, shape: tuple[int, int], rng: np.random.Generator) -> BoolArray:
        """Return where the frame is not to be judged, (height, width), by the mask of the picture it is cut from.

        The generator must be in the state in which `paint` got it; then the cutting is the same one.
        """
        cut = self._draw(shape, rng)
        if cut.mask is None:
            return np.zeros(shape, dtype=bool)
        part = cut.mask[cut.rows, cut.columns]
        return part if cut.scale == 1 else np.asarray(part.reshape(shape[0], 2, shape[1], 2).any(axis=(1, 3)))

    def _draw(self, shape: tuple[int, int], rng: np.random.Generator) -> _Cut:
        names = self.sources()
        name = names[int(rng.integers(len(names)))]
        picture = SHARED.read(Path(self.folder) / name)
        _check_size(picture, shape)
        mask = self.mask(name)
        cuts = [_cut(picture, mask, shape, rng) for _ in range(1 if mask is None else TRIES)]
        return min(cuts, key=lambda cut: cut.masked)


@dataclass(frozen=True, slots=True)
class _Cut:
    """A part of a picture, `scale` times as large as the frame each way, and the share of it that is masked."""

    picture: Picture
    mask: BoolArray | None
    rows: slice
    columns: slice
    scale: int

    @property
    def masked(self) -> float:
        return 0.0 if self.mask is None else float(self.mask[self.rows, self.columns].mean())


def _cut(picture: Picture, mask: BoolArray | None, shape: tuple[int, int], rng: np.random.Generator) -> _Cut:
    h, w = shape
    scale = 2 if picture.height >= 2 * h and picture.width >= 2 * w else 1
    top = scale * int(rng.integers(picture.height // scale - h + 1))
    left = scale * int(rng.integers(picture.width // scale - w + 1))
    return _Cut(picture, mask, slice(top, top + scale * h), slice(left, left + scale * w), scale)


def _check_size(picture: Picture, shape: tuple[int, int]) -> None:
    h, w = shape
    if picture.height < h or picture.width < w:
        raise ValueError(
            f"{picture.path} is {picture.width}×{picture.height}, smaller than the frame of {w}×{h}; "
            "remove it or ask for smaller frames"
        )


def _at_most(value: float | None, limit: float) -> bool:
    return value is not None and value <= limit


def _halved(linear: FloatArray) -> FloatArray:
    """Return the mean of every 2×2 pixels."""
    return (linear[::2, ::2] + linear[1::2, ::2] + linear[::2, 1::2] + linear[1::2, 1::2]) * np.float32(0.25)
