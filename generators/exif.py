"""What EXIF says about the camera (CIPA DC-008, Exif 2.32), from whichever library opened the file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from PIL.Image import Image

EXIF_IFD = 0x8769
MAKE, MODEL = 271, 272
ORIENTATION = 274
ICC_PROFILE = 34675

CODES = {
    "FNumber": 33437,
    "ISOSpeedRatings": 34855,
    "FocalLength": 37386,
    "PixelXDimension": 40962,
    "PixelYDimension": 40963,
    "FocalPlaneXResolution": 41486,
    "FocalPlaneResolutionUnit": 41488,
    "FocalLengthIn35mmFilm": 41989,
    "DateTimeOriginal": 36867,
    "BodySerialNumber": 42033,
}
"""Tags of the EXIF directory that are used, by name."""

RATIONALS = ("FNumber", "FocalLength", "FocalPlaneXResolution")

UNIT_UM = {2: 25_400.0, 3: 10_000.0, 4: 1_000.0, 5: 1.0}
"""Focal-plane resolution units in µm: inch and centimetre by the standard, millimetre and µm by usage."""

FRAME_DIAGONAL_UM = math.hypot(36_000.0, 24_000.0)
"""Diagonal of the 36×24 mm frame, to which the 35-mm-equivalent focal length refers."""

PLAUSIBLE_PITCH_UM = (0.5, 25.0)
"""From telephones (about 0.6 µm) to old studio backs (about 24 µm); anything else is an error in the file."""


@dataclass(frozen=True, slots=True)
class Body:
    """A camera body; what a file doesn't say is "".

    Attributes
    ----------
    make, model
        As the maker writes them.
    serial
        Where the standard tag holds it; many makers hide it elsewhere.
    """

    make: str = ""
    model: str = ""
    serial: str = ""

    @property
    def name(self) -> str:
        """Make and model, each word once, with the serial number where known.

        >>> Body("Maker Ltd", "Maker One", "7").name, Body("Maker", "One").name, Body(serial="7").name
        ('Maker Ltd One, serial number 7', 'Maker One', 'serial number 7')
        """
        said = self.make.lower().split()
        words = [self.make, *(word for word in self.model.split() if word.lower() not in said)]
        name = " ".join(word for word in words if word)
        serial = f"serial number {self.serial}" if self.serial else ""
        return ", ".join(part for part in (name, serial) if part)

    def is_other_than(self, other: Body) -> bool:
        """Tell whether these are two cameras for sure: something that both files say differs."""
        pairs = ((self.make, other.make), (self.model, other.model), (self.serial, other.serial))
        return any(one and another and one != another for one, another in pairs)


@dataclass(frozen=True, slots=True)
class Exif:
    """The little of a file's metadata that matters here.

    Attributes
    ----------
    values
        Values of the EXIF directory by the names of `CODES`.
    orientation
        1…8, how the decoded picture is to be turned.
    applied
        1…8, how the decoder has turned it already (HEIC); then `orientation` is 1.
    icc_profile
        Embedded colour profile, or None.
    make, model
        Of the camera, as its maker writes them; "" where the file doesn't say.
    """

    values: Mapping[str, Any] = field(default_factory=dict)
    orientation: int = 1
    applied: int = 1
    icc_profile: bytes | None = None
    make: str = ""
    model: str = ""

    @property
    def f_number(self) -> float | None:
        """The f-number as marked, or None."""
        return _positive(self.values.get("FNumber"))

    @property
    def focal_mm(self) -> float | None:
        """Focal length in mm, or None."""
        return _positive(self.values.get("FocalLength"))

    @property
    def iso(self) -> float | None:
        """Sensitivity, or None."""
        return _positive(self.values.get("ISOSpeedRatings"))

    @property
    def body(self) -> Body:
        """Which camera it was."""
        return Body(" ".join(self.make.split()), " ".join(self.model.split()), _words(self.values, "BodySerialNumber"))

    @property
    def taken(self) -> datetime | None:
        """When the shutter opened by the camera's clock, which knows no time zone, or None."""
        try:
            return datetime.strptime(_words(self.values, "DateTimeOriginal"), "%Y:%m:%d %H:%M:%S")
        except ValueError:  # cameras whose clock was never set write zeros or blanks
            return None

    @property
    def noted_size(self) -> tuple[int, int] | None:
        """Width and height that the file says the picture had when it was taken, or None."""
        width, height = (_positive(self.values.get(name)) for name in ("PixelXDimension", "PixelYDimension"))
        return None if width is None or height is None else (int(width), int(height))

    def pixel_um(self, width: int, height: int) -> float | None:
        """Return the pitch of the pixels in µm of a picture stored as `width`×`height`, or None if unknown.

        From the focal-plane resolution, or else from the 35-mm-equivalent focal length, which gives the
        sensor's diagonal as 43.27 mm × focal length / equivalent (good to about 2 %, as both are rounded).
        Unknown, too, if the picture was made larger, smaller or cropped since EXIF noted its size.
        """
        noted = (_positive(self.values.get("PixelXDimension")), _positive(self.values.get("PixelYDimension")))
        if any(n is not None and n != now for n, now in zip(noted, (width, height), strict=True)):
            return None
        for pitch in (self._from_focal_plane(), self._from_equivalent(width, height)):
            if pitch is not None and PLAUSIBLE_PITCH_UM[0] <= pitch <= PLAUSIBLE_PITCH_UM[1]:
                return pitch
        return None

    def _from_focal_plane(self) -> float | None:
        resolution = _positive(self.values.get("FocalPlaneXResolution"))
        unit = _positive(self.values.get("FocalPlaneResolutionUnit", 2))  # inch is the standard's default
        if resolution is None or unit not in UNIT_UM:
            return None
        return UNIT_UM[int(unit)] / resolution

    def _from_equivalent(self, width: int, height: int) -> float | None:
        equivalent = _positive(self.values.get("FocalLengthIn35mmFilm"))
        if equivalent is None or self.focal_mm is None:
            return None
        return FRAME_DIAGONAL_UM * self.focal_mm / equivalent / math.hypot(width, height)


def exif_of_pillow(image: Image) -> Exif:
    """Return the metadata of a picture opened with Pillow."""
    exif = image.getexif()
    directory = exif.get_ifd(EXIF_IFD)
    values = {name: directory[code] for name, code in CODES.items() if code in directory}
    return Exif(
        values,
        orientation=_orientation(exif.get(ORIENTATION)),
        applied=_orientation(image.info.get("original_orientation")),
        icc_profile=image.info.get("icc_profile"),
        make=_text(exif.get(MAKE)),
        model=_text(exif.get(MODEL)),
    )


def exif_of_tiff(page: Any) -> Exif:
    """Return the metadata of a TIFF page of tifffile's."""
    directory = page.tags.valueof(EXIF_IFD, default={})
    values = {name: directory[name] for name in CODES if name in directory}
    values |= {name: _ratio(values[name]) for name in RATIONALS if name in values}
    profile = page.tags.valueof(ICC_PROFILE)
    return Exif(
        values,
        orientation=_orientation(page.tags.valueof(ORIENTATION)),
        icc_profile=bytes(profile) if profile is not None else None,
        make=_text(page.tags.valueof(MAKE)),
        model=_text(page.tags.valueof(MODEL)),
    )


def _words(values: Mapping[str, Any], name: str) -> str:
    return _text(values.get(name))


def _text(value: Any) -> str:
    """Return what a file says in words, without the padding that cameras add; "" of anything else."""
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    return value.strip("\0 ") if isinstance(value, str) else ""


def _ratio(value: Any) -> float | None:
    """Return the number of a TIFF rational, which tifffile gives as a pair of integers."""
    if isinstance(value, tuple) and len(value) == 2 and value[1]:
        return float(value[0] / value[1])
    return None


def _orientation(value: Any) -> int:
    return int(value) if isinstance(value, int) and 1 <= value <= 8 else 1


def _positive(value: Any) -> float | None:
    """Return a positive finite number of a number, rational or tuple, else None: files hold anything."""
    if isinstance(value, tuple) and value:  # several sensitivities: the first is the camera's
        value = value[0]
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and number > 0 else None
