"""A training frame: what the network is shown of it and what it is to answer."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph, SingleFrame
from ...detectors.dog import DifferenceOfGaussians
from ...detectors.matched import MatchedFilter
from ...detectors.network.features import CELL, View, features, views
from ...detectors.network.target import Centres, target
from ...generators.scene import Frame, Scene, render
from ..errors import YardError
from ..handover import photograph
from ..judge import SEEN
from ..match import LEAST_GATE_PX
from ..visibility import Viewing, visibility_level

TRAIN = 0
"""First word of every seed in the train namespace."""


@dataclass(frozen=True, slots=True)
class Example:
    """A frame as the network learns from it.

    Attributes
    ----------
    shown
        Features, float16 (channels, 2h, 2w).
    wanted
        Target planes, float16 (planes, h, w).
    """

    shown: NDArray[np.float16]
    wanted: NDArray[np.float16]


def example(scene: Scene, *, viewing: Viewing | None = None) -> Example:
    """Return a scene's example.

    Raises
    ------
    YardError
        If the scene is not of the train namespace: nothing that methods are judged or tuned on is learned from.
    """
    if scene.seed[0] != TRAIN:
        raise YardError(f"scene {scene.name!r} is not of the train seeds; a network learns from those alone")
    return of_frame(render(scene, measured=False), viewing=viewing or Viewing())


def of_frame(frame: Frame, *, viewing: Viewing) -> Example:
    """Return a frame's example: shadows that nobody would see and places along lines don't count."""
    shot = photograph(frame)
    view = _view(shot, frame.scene.seed[-1])
    truth = frame.truth
    seen = visibility_level(
        truth.depth,
        truth.fwhm_px,
        pixels_per_degree=viewing.pixels_per_degree,
        luminance_cd_m2=viewing.luminance_cd_m2,
    )
    centres = Centres(x=truth.x, y=truth.y, fwhm_px=truth.fwhm_px, counted=seen >= SEEN)
    shown = features(shot, view)
    cells = (shown.shape[1] * 2 // CELL, shown.shape[2] * 2 // CELL)
    centres = replace(centres, mistaken=mistaken(shot, centres, by=MINERS[frame.scene.seed[-1] % len(MINERS)]))
    lines = None if frame.footprint is None else frame.footprint >= 0
    return Example(shown.astype(np.float16), target(centres, view, cells, ignored=lines).astype(np.float16))


MINERS: tuple[SingleFrame, ...] = (MatchedFilter(), DifferenceOfGaussians())
"""Their false alarms are the hard negatives, by turns: both fall for what has the size of a shadow and isn't one."""

MINED = 60
"""The strongest false alarms of a frame that count more; all but these the network tells apart early on."""


def mistaken(shot: Photograph, centres: Centres, *, by: SingleFrame) -> NDArray[np.float64]:
    """Return (n ≤ MINED, 2) places x, y of a detector's strongest finds that lie on no shadow, counted or not."""
    finds = by.detect_one(shot)
    clear = np.ones(len(finds.x), dtype=bool)
    for x, y, width in zip(centres.x, centres.y, centres.fwhm_px, strict=True):
        clear &= np.hypot(finds.x - x, finds.y - y) > width + LEAST_GATE_PX
    order = np.argsort(-finds.score[clear], kind="stable")[:MINED]
    return np.stack([finds.x[clear][order], finds.y[clear][order]], axis=1)


UNKNOWN_ONE_IN = 10
"""One frame in so many is shown as if its file had no f-number."""


def _view(shot: Photograph, draw: int) -> View:
    if draw % UNKNOWN_ONE_IN:
        (view,) = views(shot)
        return view
    choices = views(replace(shot, f_number=None))
    return choices[draw // UNKNOWN_ONE_IN % len(choices)]
