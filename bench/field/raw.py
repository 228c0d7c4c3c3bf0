"""Camera raw files: read as linear light, never written.

Black level, white level and mosaic are the file's own, as LibRaw reads them. The pixels are proportional to light: no
tone curve, no brightening, and white stays at the sensor's white level whatever the picture holds.
"""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...generators.exif import Exif
from ...generators.orientation import turned
from ...generators.photo_io import TIFF_SIGNATURES, Picture, PictureError, quiet, read_exif
from ..errors import YardError

SUFFIXES = (".dng", ".nef", ".cr2", ".cr3", ".arw", ".raf", ".orf", ".rw2", ".pef", ".srw")
"""Endings of the files that are read as raw, in lower case."""

ORIENTATION_OF_FLIP = {0: 1, 3: 3, 5: 8, 6: 6}
"""EXIF orientation of LibRaw's flip: not turned, half a turn, a quarter anticlockwise, a quarter clockwise."""

DARK_SHARE = 0.01
"""Share of rows at the lower end without any light from which a file is cut short: a sensor's black has noise."""

SIZE_TOLERANCE = 0.03
"""A raw file shows a rim of up to so much more than the size that EXIF notes."""


def is_raw(path: Path) -> bool:
    """Tell whether a file's name is a raw file's."""
    return path.suffix.lower() in SUFFIXES


def read_raw(path: Path) -> Picture:
    """Return a raw file developed to linear sixteen bits: the camera's white balance, sRGB's primaries, not brightened.

    It is turned as it is displayed, like every `Picture`; `orientation` tells how.

    Raises
    ------
    YardError
        If rawpy is not installed, or the file can't be read, is cut short or holds no light.
    """
    try:
        import rawpy
    except ImportError as error:
        raise YardError(
            f"{path} is a raw file, which needs rawpy; install it with: pip install 'moteyard[raw]'"
        ) from error
    if not path.is_file():
        raise YardError(f"there is no file {path}")
    _check_whole(path)
    try:
        with rawpy.imread(str(path)) as raw:
            _check_light(path, raw)
            pixels = _developed(raw)
            exif, orientation = _exif(path, raw), ORIENTATION_OF_FLIP.get(raw.sizes.flip, 1)
    except (rawpy.LibRawError, rawpy.NotSupportedError) as error:
        said = error.args[0] if error.args else ""
        reason = said.decode(errors="replace") if isinstance(said, bytes) else said
        raise YardError(
            f"{path} can't be read as a raw file, it is cut short, damaged or of an unknown kind: {reason}"
        ) from error
    height, width = pixels.shape[:2]
    shown = np.ascontiguousarray(turned(pixels, orientation))
    shown.flags.writeable = False
    return Picture(
        path, shown, exif.f_number, exif.focal_mm, exif.iso, _pixel_um(exif, width, height), None, orientation,
        "linear", exif.body, exif.taken,
    )  # fmt: skip


def _developed(raw: Any) -> NDArray[np.uint16]:
    """Return linear light as the sensor lay, (height, width, 3).

    LibRaw by itself takes the brightest pixel for white where that lies within a quarter of it, so that the scale
    would go with the picture.
    """
    linear = {"gamma": (1, 1), "no_auto_bright": True, "output_bps": 16, "adjust_maximum_thr": 0.0}
    return np.asarray(raw.postprocess(use_camera_wb=True, user_flip=0, **linear))


def _check_light(path: Path, raw: Any) -> None:
    """Refuse a mosaic that lacks light at its end: decoders put zeros where a file ends too early, without a word."""
    mosaic = raw.raw_image_visible
    if mosaic is None:  # three values a pixel already
        return
    lit = np.flatnonzero(mosaic.any(axis=1))
    if not len(lit):
        raise YardError(f"{path} holds no light at all: it is cut short or damaged; copy it anew from the card")
    missing = len(mosaic) - 1 - lit[-1]
    if missing > DARK_SHARE * len(mosaic):
        raise YardError(
            f"{path} holds no light in its last {missing} of {len(mosaic)} rows: it is cut short or damaged; copy it "
            "anew from the card"
        )


def _check_whole(path: Path) -> None:
    """Refuse a raw file built on TIFF that ends before its pixels do, where its directory can be read."""
    import tifffile

    with path.open("rb") as file:
        if file.read(4) not in TIFF_SIGNATURES:
            return
    with quiet():
        try:
            with tifffile.TiffFile(path) as tiff:
                pages = [each for page in tiff.pages for each in (page, *(page.pages or ()))]
                ends = [a + b for page in pages for a, b in zip(page.dataoffsets, page.databytecounts, strict=True)]
        except Exception:  # LibRaw knows more kinds of directories, and says what is wrong
            return
    if max(ends, default=0) > path.stat().st_size:
        raise YardError(f"{path} is cut short: parts of its pixels are missing; copy it anew from the card")


def _exif(path: Path, raw: Any) -> Exif:
    """Return what the file's own directory says, and where it says nothing, what LibRaw made of it."""
    try:
        exif = read_exif(path)
    except PictureError:  # not built on TIFF
        exif = Exif()
    return replace(exif, values=_by_libraw(raw) | dict(exif.values))


def _by_libraw(raw: Any) -> dict[str, Any]:
    told = getattr(raw, "other", None)  # later versions of rawpy
    if told is None:
        return {}
    values = {"FNumber": told.aperture, "ISOSpeedRatings": told.iso_speed, "FocalLength": told.focal_length}
    if told.timestamp > datetime(1971, 1, 1):  # 1970 where the file has no date
        values["DateTimeOriginal"] = told.timestamp.strftime("%Y:%m:%d %H:%M:%S")
    return values


def _pixel_um(exif: Exif, width: int, height: int) -> float | None:
    """Return the pixels' pitch: a raw file is never made smaller, but has a rim that the size noted leaves out."""
    noted = exif.noted_size or (width, height)
    near = all(abs(a / b - 1) < SIZE_TOLERANCE for a, b in zip(noted, (width, height), strict=True))
    return exif.pixel_um(*noted) if near else None


def linear_tiff(pixels: Any) -> bytes:
    """Return linear sixteen-bit pixels as a TIFF file."""
    import tifffile

    buffer = io.BytesIO()
    tifffile.imwrite(buffer, np.asarray(pixels), photometric="rgb", compression="zlib", metadata=None)
    return buffer.getvalue()
