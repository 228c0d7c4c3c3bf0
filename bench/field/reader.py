"""The one way by which photographs come from files: pictures and raw files alike, and what may be seen of them."""

from __future__ import annotations

from pathlib import Path

from ...detectors.contract import Photograph
from ...generators.photo_io import Picture, read_picture
from ..errors import YardError
from .raw import is_raw, read_raw

LEAST_SIDE_PX = 64
"""Smaller than this a picture cannot hold a shadow and its surroundings."""


def read_file(path: Path) -> Picture:
    """Return a JPEG, PNG, TIFF or HEIC file as it is, or a raw file as linear light; by the name it is raw.

    Raises
    ------
    YardError, PictureError
        If it can't be read.
    """
    return read_raw(path) if is_raw(path) else read_picture(path)


def read_photograph(path: Path, f_number: float | None) -> tuple[Picture, Photograph]:
    """Return a file and what may be seen of it.

    Parameters
    ----------
    f_number
        None takes the file's own.

    Raises
    ------
    YardError, PictureError
        If it can't be read, or is too small to hold a shadow.
    """
    picture = read_file(path)
    check_size(path, picture.width, picture.height)
    marked = f_number or picture.f_number
    return picture, Photograph(picture.pixels, marked, picture.pixel_um, picture.encoding)


def check_size(path: Path, width: int, height: int) -> None:
    """Refuse what is too small to hold a shadow."""
    if min(width, height) < LEAST_SIDE_PX:
        raise YardError(
            f"{path} is {width}×{height}, too small to hold a shadow and its surroundings "
            f"(at least {LEAST_SIDE_PX} pixels each way)"
        )


def check_one_camera(first: Picture, other: Picture) -> None:
    """Refuse files that two cameras wrote; what a file doesn't say is taken for the same.

    Raises
    ------
    YardError
        If make, model or serial number differ where both files say it.
    """
    if other.body.is_other_than(first.body):
        raise YardError(
            f"{other.path} is by {other.body.name} but {first.path} by {first.body.name}; each camera has its own "
            "dust, so give the files of one camera"
        )
