"""Scores as probabilities: a detector wrapped by monotone maps that were fitted on frames with known dust."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .contract import Detector, Photograph, Spots
from .optical_scales import known_f_number
from .texture import texture_map, tile_of

FORMAT = 1
"""Version of the file."""

FITTED_ON = ("train", "develop")
"""Seeds that a method may be fitted on: the first, or the second where it has learned from the first."""

FloatArray = NDArray[np.float64]


class CalibrationError(ValueError):
    """A calibration file cannot be used; the message says why in one sentence."""


@dataclass(frozen=True, slots=True)
class Map:
    """Probability over score: straight between knots, constant outside; both ascend."""

    score: tuple[float, ...]
    probability: tuple[float, ...]

    def __post_init__(self) -> None:
        score, probability = np.array(self.score), np.array(self.probability)
        good = len(score) == len(probability) > 0 and np.all(np.diff(score) > 0) and np.all(np.diff(probability) >= 0)
        if not (good and np.isfinite(score).all() and probability[0] >= 0 and probability[-1] <= 1):
            raise ValueError("a map needs scores that ascend, and as many probabilities in 0…1 that never descend")

    def __call__(self, score: NDArray[Any]) -> FloatArray:
        """Return the probability of each score."""
        return np.asarray(np.interp(score, self.score, self.probability))


@dataclass(frozen=True, slots=True)
class Calibration:
    """Maps on a grid of apertures and textures; between its lines they are mixed.

    Attributes
    ----------
    detector, name, fingerprint
        What the registry loads, what it calls itself, and the code that the maps are for.
    suite, seeds, frames
        What they were fitted on.
    log2_f_numbers, log_textures
        Ascending lines of the grid: log₂ of the f-number as marked, natural logarithm of the texture of
        `texture_map`. One line says that it makes no difference.
    maps
        A row a line of f-number, a column a line of texture.
    """

    detector: str
    name: str
    fingerprint: str
    suite: str
    seeds: str
    frames: int
    log2_f_numbers: tuple[float, ...]
    log_textures: tuple[float, ...]
    maps: tuple[tuple[Map, ...], ...]

    def probability(self, score: NDArray[Any], *, f_number: float | None, texture: NDArray[Any]) -> FloatArray:
        """Return the probability that each candidate is dust that an observer would see.

        Parameters
        ----------
        score, texture
            (m,), the candidates' scores and the texture of the tiles that they lie in.
        f_number
            As marked; None takes the mean over the lines of f-number.
        """
        beside = grid_weights(np.log(np.maximum(texture, np.finfo(float).tiny)), self.log_textures)
        if f_number is None:
            above = np.full((1, len(self.log2_f_numbers)), 1 / len(self.log2_f_numbers))
        else:
            above = grid_weights(np.array([np.log2(f_number)]), self.log2_f_numbers)
        mixed = np.zeros(len(score))
        for row, weight in zip(self.maps, above[0], strict=True):
            for column, one in enumerate(row):
                mixed += weight * beside[:, column] * one(score)
        return mixed


def grid_weights(place: FloatArray, lines: Sequence[float]) -> FloatArray:
    """Return how much each line counts at each place (m, lines): linear between lines, the outer ones beyond."""
    corners = np.eye(len(lines))
    return np.stack([np.interp(place, lines, corner) for corner in corners], axis=1)


class Calibrated:
    """A detector whose scores are probabilities; places and sizes are the wrapped detector's own."""

    def __init__(self, wrapped: Detector, calibration: Calibration) -> None:
        content = json.dumps(asdict(calibration), sort_keys=True)
        self.wrapped = wrapped
        self.calibration = calibration
        self.card = _card(wrapped, calibration)
        self.name = f"p-{wrapped.name}"[:24]
        self.version = f"{wrapped.version}.{hashlib.sha256(content.encode()).hexdigest()[:8]}"

    def detect(self, roll: Sequence[Photograph]) -> list[Spots]:
        """Return what the wrapped detector finds, with probabilities for scores."""
        answers = self.wrapped.detect(roll)
        return [self._mapped(photograph, spots) for photograph, spots in zip(roll, answers, strict=True)]

    def _mapped(self, photograph: Photograph, spots: Spots) -> Spots:
        if len(spots) == 0:
            return spots
        score = self.calibration.probability(
            spots.score, f_number=known_f_number(photograph), texture=texture_at(photograph, spots.x, spots.y)
        )
        return Spots(spots.x, spots.y, spots.diameter_px, np.asarray(score, dtype=np.float32))


def _card(wrapped: Detector, calibration: Calibration) -> Any:
    """Return what the wrapped detector was taught on, which it still was, with what a learned one was fitted on."""
    card = getattr(wrapped, "card", None)
    if not isinstance(card, Mapping) or not isinstance(card.get("namespaces"), list):
        return card  # of none, or of a card that says nothing, others complain
    return {**card, "namespaces": list(dict.fromkeys([*card["namespaces"], calibration.seeds]))}


def texture_at(photograph: Photograph, x: NDArray[Any], y: NDArray[Any]) -> FloatArray:
    """Return the texture of the tile under each place."""
    tiles = texture_map(photograph.log_luminance())
    return np.asarray(tiles[tile_of(photograph.shape, (tiles.shape[0], tiles.shape[1]), x, y)])


def write_calibration(calibration: Calibration, path: Path) -> None:
    """Write a file; one that exists is never replaced."""
    with path.open("x", encoding="utf-8") as file:
        file.write(json.dumps({"format": FORMAT, **asdict(calibration)}, indent=1) + "\n")


def read_calibration(path: Path) -> Calibration:
    """Return the calibration in a file.

    Raises
    ------
    CalibrationError
        If there is none, it is malformed, or it was fitted on seeds that methods are judged on.
    """
    if not path.is_file():
        raise CalibrationError(f"there is no calibration file {path}; make one with: moteyard calibrate")
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
        if raw.pop("format") != FORMAT:
            raise ValueError(f"its format is not {FORMAT}")
        rows = raw.pop("maps")
        maps = tuple(tuple(Map(tuple(one["score"]), tuple(one["probability"])) for one in row) for row in rows)
        apertures, textures = (tuple(map(float, raw.pop(key))) for key in ("log2_f_numbers", "log_textures"))
        if [len(row) for row in maps] != [len(textures)] * len(apertures):
            raise ValueError("its maps do not fill its grid")
        found = Calibration(maps=maps, log2_f_numbers=apertures, log_textures=textures, **raw)
    except (ValueError, KeyError, TypeError, AttributeError, UnicodeDecodeError) as error:
        raise CalibrationError(f"{path} is no calibration ({error}); make one with: moteyard calibrate") from error
    if found.seeds not in FITTED_ON:
        allowed = " and ".join(repr(one) for one in FITTED_ON)
        raise CalibrationError(f"{path} was fitted on {found.seeds!r} seeds; only {allowed} may be fitted on")
    return found
