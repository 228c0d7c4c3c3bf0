"""The ceiling: what an ideal observer would reach on the same frames.

For every true shadow the generators measured d′, the signal-to-noise ratio of the observer who knows its shape,
its place and the local spectrum of ground and noise. Such an observer's response has unit variance and the mean
d′ on the shadow, 0 elsewhere (Barrett & Myers, Foundations of Image Science, ch. 13, from memory). It still has to
look everywhere: a frame holds as many independent places as shadows of its aperture fit side by side, and the
strongest of their noise are its false alarms. So its rows can be drawn from the labels alone.

A yardstick, not a law: grounds are not Gaussian, and structure may give a clever method something back.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..generators.scene import Scene
from .cells import Record
from .store import FALSE_ALARM, HIT, IGNORED, SPOT_TYPE, FrameRow, ResultRow

NAME = "ideal"

FLOOR = 2.0
"""Responses under this are not reported, like those of a method with a floor."""


def ceiling(records: Sequence[Record]) -> list[Record]:
    """Return the ideal observer's records of the same frames, the same for the same scenes."""
    return [Record(record.frame, _result(record.frame)) for record in records]


def places(scene: Scene) -> int:
    """Return how many shadows of the scene's aperture fit into its frame: frame area over (d/N)²."""
    width_px = max(1.0, scene.optics.blur_um / scene.optics.pixel_um)
    return max(1, round(scene.camera.width_px * scene.camera.height_px / width_px**2))


def _result(frame: FrameRow) -> ResultRow:
    rng = np.random.default_rng(int(frame.scene, 16))
    seen = frame.truth["detectability"] + rng.standard_normal(len(frame.truth))
    noise = rng.standard_normal(places(Scene.from_json(frame.recipe)))
    return ResultRow(
        scene=frame.scene,
        detector=NAME,
        fingerprint=NAME,
        problem=None,
        cpu_s=np.nan,
        wall_s=np.nan,
        spots=_spots(frame, seen, noise[noise > FLOOR]),
    )


def _spots(frame: FrameRow, seen: NDArray[np.float64], noise: NDArray[np.float64]) -> NDArray[np.void]:
    spots = np.zeros(len(seen) + len(noise), dtype=SPOT_TYPE)
    spots["score"] = np.concatenate([seen, noise])
    spots["truth"] = np.concatenate(
        [np.where(frame.truth["counted"], np.arange(len(seen)), -1), np.full(len(noise), -1)]
    )
    spots["kind"] = np.concatenate([np.where(frame.truth["counted"], HIT, IGNORED), np.full(len(noise), FALSE_ALARM)])
    spots = spots[spots["score"] > FLOOR]
    return spots[np.argsort(-spots["score"], kind="stable")]
