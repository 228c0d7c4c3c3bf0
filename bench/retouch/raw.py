"""Camera raw files: read as linear light, never written."""

from __future__ import annotations

import io
import logging
from pathlib import Path
from typing import Any

import numpy as np

from ...generators.exif import Exif, exif_of_tiff
from ...generators.photo_io import Picture
from ..errors import YardError

SUFFIXES = (".dng", ".nef", ".cr2", ".cr3", ".arw", ".raf", ".orf", ".rw2", ".pef", ".srw")
"""Endings of the files that are read as raw, in lower case."""


def is_raw(path: Path) -> bool:
    """Tell whether a file's name is a raw file's."""
    return path.suffix.lower() in SUFFIXES


def read_raw(path: Path) -> Picture:
    """Return a raw file developed to linear sixteen bits: the camera's white balance, sRGB's primaries, not brightened.

    It lies as the sensor did, whichever way the camera was held.

    Raises
    ------
    YardError
        If rawpy is not installed, or the file can't be read or holds no light.
    """
    try:
        import rawpy
    except ImportError as error:
        raise YardError(
            f"{path} is a raw file, which needs rawpy; install it with: pip install 'moteyard[raw]'"
        ) from error
    if not path.is_file():
        raise YardError(f"there is no file {path}")
    try:
        with rawpy.imread(str(path)) as raw:
            pixels = raw.postprocess(gamma=(1, 1), no_auto_bright=True, output_bps=16, use_camera_wb=True, user_flip=0)
    except rawpy.LibRawError as error:
        raise YardError(f"{path} can't be read as a raw file: {error}") from error
    if not pixels.any():
        raise YardError(f"{path} holds no light at all: it is cut short or damaged")
    pixels.flags.writeable = False
    exif = _exif(path)
    height, width = pixels.shape[:2]
    pitch = exif.pixel_um(width, height)
    return Picture(path, pixels, exif.f_number, exif.focal_mm, exif.iso, pitch)


def _exif(path: Path) -> Exif:
    """Return what a raw file built on TIFF says; nothing where it is not."""
    import tifffile

    log = logging.getLogger("tifffile")
    disabled, log.disabled = log.disabled, True
    try:
        with tifffile.TiffFile(path) as tiff:
            return exif_of_tiff(tiff.pages.first)
    except Exception:  # the pixels are there; the f-number can be given by hand
        return Exif()
    finally:
        log.disabled = disabled


def linear_tiff(pixels: Any) -> bytes:
    """Return linear sixteen-bit pixels as a TIFF file."""
    import tifffile

    buffer = io.BytesIO()
    tifffile.imwrite(buffer, np.asarray(pixels), photometric="rgb", compression="zlib", metadata=None)
    return buffer.getvalue()
