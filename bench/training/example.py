"""A training frame: what the network is shown of it and what it is to answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph, SingleFrame
from ...detectors.dog import DifferenceOfGaussians
from ...detectors.matched import MatchedFilter
from ...detectors.network.evidence_target import WIDEST_PX, Grains, grain_target
from ...detectors.network.features import CELL, PUPIL_PX, View, features, views
from ...detectors.network.target import Centres, target
from ...generators.roll import Roll, render_exposure
from ...generators.scene import Frame, Scene, render
from ..errors import YardError
from ..handover import photograph
from ..judge import SEEN
from ..match import LEAST_GATE_PX
from ..visibility import Viewing, visibility_level
from .recipe import Recipe
from .stamps import stamps

TRAIN = 0
"""First word of every seed in the train namespace."""


@dataclass(frozen=True, slots=True)
class Example:
    """A frame as the network learns from it.

    Attributes
    ----------
    shown
        Features, float16 (channels, 2h, 2w), or of the photographs of a roll (photographs, channels, 2h, 2w).
    wanted
        Target planes, float16 (planes, h, w).
    stamps
        Of twins: faint shadows to be laid on the second picture shown, as `stamps.stamps` returns them.
    """

    shown: NDArray[np.float16]
    wanted: NDArray[np.float16]
    stamps: NDArray[np.float16] | None = None


def example(recipe: Recipe, number: int) -> Example:
    """Return example `number` of a recipe's lesson."""
    if recipe.lesson == "rolls":
        return of_roll(recipe.roll(number))
    return of_scene(recipe.scene(number), recipe.lesson)


def of_scene(scene: Scene, lesson: str = "centres") -> Example:
    """Return a scene's example in "centres", "evidence" or "twins".

    Raises
    ------
    YardError
        If the scene is not of the train namespace: nothing that methods are judged or tuned on is learned from.
    """
    _require_train(scene)
    return OF_FRAME[lesson](render(scene, measured=False))


def of_roll(roll: Roll) -> Example:
    """Return a roll's example: the photographs' features stacked, and what lies there in all of them.

    Raises
    ------
    YardError
        If the roll is not of the train namespace.
    """
    _require_train(roll.scene(0))
    each = [of_grains(render_exposure(roll, index, measured=False)) for index in range(len(roll))]
    return Example(np.stack([one.shown for one in each]), each[0].wanted)


def _require_train(scene: Scene) -> None:
    if scene.seed[0] != TRAIN:
        raise YardError(f"scene {scene.name!r} is not of the train seeds; a network learns from those alone")


def of_centres(frame: Frame) -> Example:
    """Return a frame's example: shadows that nobody would see and places along lines don't count."""
    shot, viewing = photograph(frame), Viewing()
    view = _view(shot, frame.scene.seed[-1], widest_px=PUPIL_PX[1])
    truth = frame.truth
    seen = visibility_level(
        truth.depth,
        truth.fwhm_px,
        pixels_per_degree=viewing.pixels_per_degree,
        luminance_cd_m2=viewing.luminance_cd_m2,
    )
    centres = Centres(x=truth.x, y=truth.y, fwhm_px=truth.fwhm_px, counted=seen >= SEEN)
    shown = features(shot, view)
    centres = replace(centres, mistaken=mistaken(shot, centres, by=MINERS[frame.scene.seed[-1] % len(MINERS)]))
    return Example(
        shown.astype(np.float16), target(centres, view, _cells(shown), ignored=_lines(frame)).astype(np.float16)
    )


def of_grains(frame: Frame) -> Example:
    """Return a frame's example: each grain's size, seen or not. Lines and sizes without a class don't count."""
    shot, truth = photograph(frame), frame.truth
    view = _view(shot, frame.scene.seed[-1], widest_px=WIDEST_PX)
    grains = Grains(truth.x, truth.y, truth.diameter_um / frame.scene.optics.filter_distance_mm)
    shown = features(shot, view)
    wanted = grain_target(grains, view, _cells(shown), ignored=_lines(frame))
    return Example(shown.astype(np.float16), wanted.astype(np.float16))


def of_twins(frame: Frame) -> Example:
    """Return a frame's example with its picture as it would be without any grain, and shadows to lay on that."""
    dusty, scene = of_grains(frame), frame.scene
    rng = np.random.default_rng((*scene.seed, BARE))
    bare = photograph(replace(frame, pixels=scene.camera.expose(frame.clean, rng)))
    view = _view(bare, scene.seed[-1], widest_px=WIDEST_PX)
    shown = features(bare, view).astype(np.float16)
    return replace(dusty, shown=np.stack([dusty.shown, shown]), stamps=stamps(scene, view, rng))


BARE = 1
"""Word after a scene's seed for the noise of its picture without grains."""

OF_FRAME: dict[str, Callable[[Frame], Example]] = {"centres": of_centres, "evidence": of_grains, "twins": of_twins}
"""What a frame is an example of, by the names of `detectors/network/lessons.py`."""


def _cells(shown: NDArray[np.float32]) -> tuple[int, int]:
    return shown.shape[1] * 2 // CELL, shown.shape[2] * 2 // CELL


def _lines(frame: Frame) -> NDArray[np.bool_] | None:
    return None if frame.footprint is None else frame.footprint >= 0


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


def _view(shot: Photograph, draw: int, *, widest_px: float) -> View:
    if draw % UNKNOWN_ONE_IN:
        (view,) = views(shot, widest_px=widest_px)
        return view
    choices = views(replace(shot, f_number=None), widest_px=widest_px)
    return choices[draw // UNKNOWN_ONE_IN % len(choices)]
