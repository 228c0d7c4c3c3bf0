"""Test frames read from files, laid as the sensor lay."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ....detectors.contract import Photograph
from ....generators.exif import PLAUSIBLE_PITCH_UM
from ....generators.orientation import turned_back
from ....generators.photo_io import Picture
from ...errors import YardError
from ..reader import check_one_camera, read_file

LEAST_SIDE_PX = 200
"""A smaller test frame is a thumbnail."""

SensorSize = tuple[float, float]
"""Width and height in mm."""


@dataclass(frozen=True, slots=True)
class TestFrame:
    """A test frame and what its file says.

    Attributes
    ----------
    path
        Its file.
    photograph
        Pixels as stored, which is as the sensor lay.
    facts
        The picture without its pixels: what EXIF says of camera, lens, sensitivity and time.
    """

    __test__ = False  # not for pytest

    path: Path
    photograph: Photograph
    facts: Picture

    @property
    def size_mm(self) -> SensorSize:
        """Width and height of the part of the sensor that the file shows."""
        height, width = self.photograph.shape
        pitch = (self.photograph.pixel_um or math.nan) / 1000
        return width * pitch, height * pitch


def read_frames(paths: Sequence[Path], *, sensor: SensorSize | None, f_number: float | None) -> tuple[TestFrame, ...]:
    """Return test frames of one survey.

    Parameters
    ----------
    sensor
        Width and height in mm; None takes the pixels' pitch from each file's own metadata.
    f_number
        For all; None takes each file's own.

    Raises
    ------
    YardError
        If a file says too little, or the frames differ in what a survey needs to be alike.
    """
    frames = tuple(_read(path, sensor, f_number) for path in paths)
    first = frames[0]
    for frame in frames[1:]:
        _alike(first, frame)
    return frames


def _read(path: Path, sensor: SensorSize | None, f_number: float | None) -> TestFrame:
    picture = read_file(path)
    pixels = turned_back(picture.pixels, picture.orientation)
    height, width = pixels.shape[:2]
    if min(height, width) < LEAST_SIDE_PX:
        raise YardError(f"{path} is {width}×{height}, too small for a test frame; give the file as the camera wrote it")
    marked = f_number or picture.f_number
    if marked is None:
        raise YardError(f"{path} does not tell its f-number; say it with --f-number")
    pitch = picture.pixel_um if sensor is None else _pitch_um(path, (width, height), sensor)
    if pitch is None:
        raise YardError(
            f"{path} does not tell the size of the sensor; say it in mm with --sensor, as in --sensor 36x24"
        )
    shot = Photograph(np.ascontiguousarray(pixels), marked, pitch, picture.encoding, is_test_frame=True)
    return TestFrame(path, shot, picture.without_pixels())


def _pitch_um(path: Path, size: tuple[int, int], sensor: SensorSize) -> float:
    """Return the pixels' pitch, given the sensor's size: its longer side is the picture's as stored."""
    wide, high = sorted(sensor, reverse=True) if size[0] >= size[1] else sorted(sensor)
    pitch = 1000 * wide / size[0]
    if abs(1000 * high / size[1] / pitch - 1) > 0.03:
        raise YardError(
            f"{path} is {size[0]}×{size[1]}, which is not the shape of a sensor of {sensor[0]:g}×{sensor[1]:g} mm; "
            "give test frames uncropped"
        )
    if not PLAUSIBLE_PITCH_UM[0] <= pitch <= PLAUSIBLE_PITCH_UM[1]:
        raise YardError(
            f"{path} on {sensor[0]:g}×{sensor[1]:g} mm has pixels of {pitch:.2g} µm, which no camera has; "
            "give the file as the camera wrote it, and --sensor in mm"
        )
    return pitch


def _alike(first: TestFrame, other: TestFrame) -> None:
    check_one_camera(first.facts, other.facts)
    if other.photograph.shape != first.photograph.shape:
        (h, w), (k, v) = other.photograph.shape, first.photograph.shape
        raise YardError(f"{other.path} is {w}×{h} but {first.path} is {v}×{k}; test frames come from one camera")
    if other.photograph.f_number != first.photograph.f_number:
        raise YardError(
            f"{other.path} is at f/{other.photograph.f_number:g} but {first.path} at f/{first.photograph.f_number:g}; "
            "take all test frames at the smallest aperture"
        )
    focal, another = first.facts.focal_mm, other.facts.focal_mm
    if focal is not None and another is not None and another != focal:
        raise YardError(
            f"{other.path} is at {another:g} mm but {first.path} at {focal:g} mm, and the focal length "
            "moves shadows; take all test frames with one lens and focal length"
        )


def photographs(frames: Sequence[TestFrame]) -> list[Photograph]:
    """Return the frames' photographs with one pitch: EXIF rounds it."""
    pitch = frames[0].photograph.pixel_um
    return [replace(frame.photograph, pixel_um=pitch) for frame in frames]
