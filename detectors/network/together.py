"""The learned detector and the roll's consensus together: the network's word on each photograph is evidence too."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ...generators.cv import cv2
from ..consensus import answered, answered_latest
from ..consensus_frame import casts, width_px
from ..consensus_likelihood import longest_standing
from ..consensus_scene import SAME
from ..consensus_study import GrainEvidence, Study, from_middle, studies, study
from ..contract import Photograph, Spots
from ..peaks import local_maxima, most_candidates, refine, without_doubles
from .detector import SHIPPED, NetworkDetector, fits
from .features import CELL, features, views
from .runtime import Forward, answers, network
from .target import to_cells

FloatArray = NDArray[np.float32]

SLOPE, OFFSET = 2.1, 4.6
"""ln of the likelihood ratio of a shadow's centre within a cell over the network's log odds, which its loss presses
together: fitted by eye to the shares of centres in bins of one unit on 110 frames of the train seeds, where it holds
within 0.3 from −4 to 3, less their prior log odds."""

LEAST, MOST = -1.0, 16.0
"""Bounds of one photograph's word. It can't speak strongly against a grain whose shadow is too faint there."""

GRID = CELL
"""Pixels of the photograph between the places at which evidence is added up."""

NEW_UM = 45.0
"""Size class of a grain that the network alone proposes, in the middle of those that show."""


class NetworkConsensus:
    """All photographs of a roll together: the optical consensus and the network's word on each, added up.

    The two look at the same pixels, so their sum is no likelihood; it ranks better than either. Photographs of
    different sizes are rolls of their own.
    """

    name = "together"
    version = NetworkDetector.version
    card = NetworkDetector.card

    def detect(self, roll: Sequence[Photograph]) -> list[Spots]:
        """Return the roll's grains, mapped back onto each photograph that they lay there for."""
        return answered(roll, study_together)

    def detect_latest(self, roll: Sequence[Photograph], counts: Sequence[int]) -> list[Spots]:
        """Return for each count what `detect` says of the last of so many photographs; each is looked at once."""
        return answered_latest(roll, counts, studies_together)


def study_together(roll: Sequence[Photograph]) -> Study:
    """Return what a roll of photographs of one size says by both; it is read three times, one photograph at a time."""
    return with_network(roll, study(roll), network(SHIPPED))


def studies_together(roll: Sequence[Photograph], counts: Sequence[int]) -> list[Study]:
    """Return what the first photographs of a roll say by both, for each of the rising counts."""
    return all_with_network(roll, studies(roll, counts), network(SHIPPED))


def with_network(roll: Sequence[Photograph], studied: Study, forward: Forward) -> Study:
    """Return a study of a roll with the network's evidence added, and the grains that it alone proposes."""
    return all_with_network(roll, [studied], forward)[0]


def all_with_network(roll: Sequence[Photograph], studied: Sequence[Study], forward: Forward) -> list[Study]:
    """Return studies of a growing roll with the network's evidence added, and the grains that it alone proposes.

    Each photograph is looked at once; what the network says of it waits in a temporary file, so memory does not
    grow with the roll.
    """
    whole = studied[-1]
    fresh = [index for index, likeness in enumerate(whole.likeness) if likeness < SAME]
    with _said(roll, fresh, forward) as said:
        words = dict(zip(fresh, said, strict=True))
        return [
            _added(roll, one, {index: words[index] for index in fresh if index < len(one.likeness)}) for one in studied
        ]


def _added(roll: Sequence[Photograph], studied: Study, words: Mapping[int, _Word]) -> Study:
    """Return a study with the words on its photographs added."""
    count = len(studied.likeness)
    optics = next((found for index in range(count) if (found := casts(roll[index]))), ())
    if not words or not optics:
        return studied
    shape, ratios = roll[0].shape, studied.magnifications
    y, x = (np.arange((GRID - 1) / 2, side, GRID) for side in shape)
    grid_y, grid_x = (plane.ravel() for plane in np.meshgrid(y, x, indexing="ij"))
    total = np.zeros((len(y), len(x)), dtype=np.float32)
    for index, word in words.items():
        total += word.at(grid_y, grid_x, shape, ratios[index]).reshape(total.shape)
    rows, columns = local_maxima(total, radius=1, floor=0.0)
    v, u, score = refine(total, rows, columns)
    wide = np.full(len(u), width_px(NEW_UM, optics), dtype=np.float32)
    new = without_doubles(Spots(u * GRID + (GRID - 1) / 2, v * GRID + (GRID - 1) / 2, wide, score))
    new = new.strongest(most_candidates(shape))
    grains = [*studied.grains, *_proposed(new, studied.grains, count=count)]
    places = np.array([(grain.y, grain.x) for grain in grains]).reshape(-1, 2)
    by_frame = np.array([grain.by_frame for grain in grains], dtype=np.float32).reshape(-1, count).T.copy()
    for index, word in words.items():
        by_frame[index] += word.at(places[:, 0], places[:, 1], shape, ratios[index])
    return replace(studied, grains=_weighed(grains, by_frame, reach_px=width_px(NEW_UM, optics) / 2))


def _proposed(new: Spots, known: Sequence[GrainEvidence], *, count: int) -> list[GrainEvidence]:
    """Return grains at the places that are not within half a width of a known one, without evidence yet."""
    nothing = np.zeros(count, dtype=np.float32)
    if known and len(new):
        apart, _ = cKDTree([(grain.x, grain.y) for grain in known]).query(np.column_stack([new.x, new.y]))
        new = new.take(apart > new.diameter_px / 2)
    return [
        GrainEvidence(x=x, y=y, diameter_um=NEW_UM, score=0.0, by_frame=nothing, first=0, last=count - 1)
        for x, y in zip(new.x.tolist(), new.y.tolist(), strict=True)
    ]


def _weighed(grains: Sequence[GrainEvidence], by_frame: FloatArray, *, reach_px: float) -> tuple[GrainEvidence, ...]:
    """Return the grains with the evidence of their longest stand, strongest first, weaker neighbours left out."""
    if not grains:
        return ()
    score, first, last = longest_standing(by_frame)
    by_frame.flags.writeable = False
    weighed = [
        replace(grain, score=float(score[n]), by_frame=by_frame[:, n], first=int(first[n]), last=int(last[n]))
        for n, grain in enumerate(grains)
    ]
    ranked = sorted((grain for grain in weighed if grain.score > 0), key=lambda grain: -grain.score)
    keep = np.ones(len(ranked), dtype=bool)
    if len(ranked) > 1:
        pairs = cKDTree([(grain.x, grain.y) for grain in ranked]).query_pairs(reach_px, output_type="ndarray")
        keep[pairs.max(axis=1)] = False
    return tuple(grain for grain, kept in zip(ranked, keep, strict=True) if kept)


class _Word:
    """What the network says of one photograph: log odds of each cell, kept in files, one a view."""

    def __init__(self, photograph: Photograph, forward: Forward, folder: Path) -> None:
        self.views = [view for view in views(photograph) if fits(photograph, view)]
        self.files = []
        for number, view in enumerate(self.views):
            self.files.append(folder / f"{number}.npy")
            np.save(self.files[-1], answers(features(photograph, view), forward)[0].astype(np.float16))

    def at(self, y: NDArray[Any], x: NDArray[Any], shape: tuple[int, int], ratio: float) -> FloatArray:
        """Return the evidence for a shadow at places of the roll's first photograph, moved out by a magnification."""
        y, x = from_middle(np.asarray(y), shape[0], ratio), from_middle(np.asarray(x), shape[1], ratio)
        best = np.full(len(y), LEAST, dtype=np.float32)
        for view, file in zip(self.views, self.files, strict=True):
            odds = np.load(file).astype(np.float32)
            places = (to_cells(line.astype(np.float64), view).astype(np.float32) for line in (y, x))
            ratio_ = np.clip(SLOPE * _between(odds, *places) + OFFSET, LEAST, MOST)
            np.maximum(best, ratio_, out=best)
        outside = (y < -0.5) | (y > shape[0] - 0.5) | (x < -0.5) | (x > shape[1] - 0.5)
        return np.where(outside, np.float32(0), best if self.views else np.float32(0))


def _between(odds: FloatArray, row: FloatArray, column: FloatArray) -> FloatArray:
    """Return a map's values at fractional places (m,), by cubic interpolation."""
    found = np.empty(len(row), dtype=np.float32)
    for start in range(0, len(row), 16_384):  # OpenCV's limit on the sides of a remapped picture is twice that
        some = slice(start, start + 16_384)
        found[some] = cv2.remap(
            odds, column[None, some], row[None, some], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )[0]
    return found


@contextmanager
def _said(roll: Sequence[Photograph], fresh: Sequence[int], forward: Forward) -> Iterator[list[_Word]]:
    with tempfile.TemporaryDirectory() as folder:
        words = []
        for index in fresh:
            own = Path(folder) / str(index)
            own.mkdir()
            words.append(_Word(roll[index], forward, own))
        yield words
