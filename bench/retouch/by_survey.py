"""`moteyard retouch --test-frames`: photographs mended by what test frames foretell of their shadows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph, Spots
from ...detectors.optical_scales import known_f_number
from ...detectors.survey import Dust, Prediction, lens_evidence, likely_ratio, predict, remeasure, survey
from ...generators.orientation import turned_back
from ...generators.photo_io import Picture, read_picture
from ..errors import YardError
from ..field.find import plural
from ..field.reader import read_photograph
from ..field.survey.frames import photographs, read_frames
from ..repairs.contract import Known
from ..visibility import Viewing, visibility_level
from .photographs import Wish, retouch
from .plan import Doubtful, Plan
from .record import file_digest
from .roll_sizes import LEAST_ERROR

LEAST_LEVEL = 0.5
"""Foretold shadows below this visibility in a print are left alone: half of what is just seen."""

PLACE_PX = 1.0
"""Standard deviation of foretold places: lenses move shadows by more than one number a lens says."""

DISAGREES = 0.4
"""Share of a foretold optical density by which a picture may differ before it is said to disagree, and at least three
times the measurement's standard error."""


def retouch_by_survey(photos: Sequence[Path], frames: Sequence[Path], wish: Wish) -> int:
    """Survey the test frames, then mend each photograph by what they foretell. Returns the exit status."""
    for path in frames:
        if read_picture(path).f_number is None:
            raise YardError(f"{path} does not tell its f-number; a test frame must say it in its Exif data")
    settings = {
        "evidence": "test frames, measured again in each photograph",
        "test_frames": [file_digest(path) for path in frames],
        "photographs": [file_digest(path) for path in photos if path.is_file()],
    }
    return retouch(photos, wish, plan=_SurveyPlanner(photos, frames, wish), settings=settings)


class _SurveyPlanner:
    """Surveys when the first photograph is asked for: photographs that are done need no survey."""

    def __init__(self, photos: Sequence[Path], frames: Sequence[Path], wish: Wish) -> None:
        self._photos, self._frames, self._wish = list(photos), list(frames), wish
        self._dust: Dust | None = None
        self._ratios: dict[float | None, float] = {}

    def __call__(self, photograph: Photograph, picture: Picture) -> Plan:
        if self._dust is None:
            self._dust = self._surveyed()
        return survey_plan(self._dust, photograph, picture, magnification=self._ratios.get(picture.focal_mm, 1.0))

    def _surveyed(self) -> Dust:
        shots = photographs(read_frames(self._frames, sensor=None, f_number=None))
        dust = survey(shots, distance_mm=self._wish.filter_distance_mm)
        self._ratios = self._lenses(dust)
        print(
            f"{plural(len(shots), 'test frame')}: {plural(len(dust.grains), 'grain')}, "
            f"{dust.distance.mm:.2g} mm before the photosites"
        )
        return dust

    def _lenses(self, dust: Dust) -> dict[float | None, float]:
        """Return by focal length how much further out than in the test frames shadows lie."""
        told: dict[float | None, NDArray[np.float64]] = {}
        for path in self._photos:
            try:
                picture, photograph = read_photograph(path, self._wish.f_number)
                stored = as_stored(photograph, picture)
                evidence = lens_evidence(stored, foretold(dust, stored, path, magnification=1.0))
            except (ValueError, OSError):  # said when its turn comes
                continue
            told[picture.focal_mm] = told.get(picture.focal_mm, np.zeros(len(evidence))) + evidence
        return {focal: likely_ratio(evidence) for focal, evidence in told.items()}


def as_stored(photograph: Photograph, picture: Picture) -> Photograph:
    """Return a photograph as the sensor lay."""
    return replace(photograph, pixels=np.ascontiguousarray(turned_back(photograph.pixels, picture.orientation)))


def foretold(dust: Dust, stored: Photograph, path: Path, *, magnification: float) -> tuple[Prediction, ...]:
    """Return the shadows that a survey foretells in a photograph as stored, those that nobody would see left out.

    Raises
    ------
    YardError
        If its f-number is unknown, or it is cropped.
    """
    number = known_f_number(stored)
    if number is None:
        raise YardError(f"{path} does not tell its f-number; say it with --f-number")
    try:
        found = predict(dust, number, magnification=magnification, shape=stored.shape)
    except ValueError as error:
        raise YardError(f"{path}: {error}") from error
    viewing = Viewing()
    looks = {"pixels_per_degree": viewing.pixels_per_degree, "luminance_cd_m2": viewing.luminance_cd_m2}
    depth, width = (np.array([getattr(one.shadow, name) for one in found]) for name in ("peak_depth", "fwhm_px"))
    shown = visibility_level(depth, width, **looks) >= LEAST_LEVEL if found else np.zeros(0, bool)
    return tuple(one for one, seen in zip(found, shown, strict=True) if seen)


def survey_plan(dust: Dust, photograph: Photograph, picture: Picture, *, magnification: float) -> Plan:
    """Return what is to be mended in a photograph by what test frames foretell, and where the picture disagrees.

    Parameters
    ----------
    photograph, picture
        As displayed.
    """
    stored = as_stored(photograph, picture)
    ahead = foretold(dust, stored, picture.path, magnification=magnification)
    if not ahead:
        return Plan(Spots(), Known(dust.distance.mm))
    measured = remeasure(stored, ahead)
    off = np.abs(measured.factor - 1)
    apart = measured.measurable & (off > np.maximum(DISAGREES, 3 / np.maximum(measured.expected, 1)))
    x, y = picture.from_sensor(np.array([one.x for one in ahead]), np.array([one.y for one in ahead]))
    width = np.array([one.shadow.fwhm_px for one in ahead])
    evidence, size, error = (
        np.array([getattr(one.grain, name) for one in ahead]) for name in ("response", "diameter_um", "diameter_se_um")
    )
    doubtful = tuple(
        Doubtful(
            n + 1, float(x[n]), float(y[n]), float(width[n]), float(evidence[n]), _why(ahead[n], measured.depth[n])
        )
        for n in np.flatnonzero(apart).tolist()
    )
    kept = np.flatnonzero(~apart)
    known = Known(dust.distance.mm, size[kept], np.maximum(error / size, LEAST_ERROR)[kept], PLACE_PX)
    spots = Spots(*(column[kept].astype(np.float32) for column in (x, y, width, evidence)))
    return Plan(spots, known, doubtful, kept + 1)


def _why(ahead: Prediction, depth: float) -> str:
    return (
        f"test frames foretell a shadow {100 * ahead.shadow.peak_depth:.0f} % deep, "
        f"the picture shows {100 * max(depth, 0):.0f} %"
    )
