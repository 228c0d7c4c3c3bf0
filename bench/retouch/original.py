"""The clean original of a rendered frame: what the camera would have recorded without dust, noise and all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...generators.roll import Roll, camera_noise, filter_at
from ...generators.scene import Frame, expose, filter_size_mm
from ...generators.shade import overlap
from ...generators.truth import Cast, Placed, cast_all

FloatArray = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Original:
    """A frame without its dust.

    Attributes
    ----------
    pixels
        File codes (height, width, 3), with the very noise of the dusty frame.
    depth
        |1 − T| in luminance of the deepest shadow on each pixel, float32 (height, width); 0 on clean ground.
    """

    pixels: NDArray[Any]
    depth: FloatArray


def original_of(frame: Frame) -> Original:
    """Return the original of a frame that `render` made: same scene, same noise, no dust."""
    scene = frame.scene
    _, dust_rng, camera_rng, _ = scene.generators()
    particles = scene.population.scatter(*filter_size_mm(scene.camera, scene.optics), dust_rng)
    dust = [Placed(*each) for each in enumerate(particles)]
    return Original(_without_dust(frame, camera_rng), shadow_depth(cast_all(dust, scene.optics, scene.shape), frame))


def original_in_roll(roll: Roll, index: int, frame: Frame) -> Original:
    """Return the original of an exposure of a roll."""
    casts = cast_all(filter_at(roll, index), frame.scene.optics, frame.scene.shape)
    return Original(_without_dust(frame, camera_noise(roll, index)), shadow_depth(casts, frame))


def _without_dust(frame: Frame, rng: np.random.Generator) -> NDArray[Any]:
    # The clean light holds every distractor but hot photosites, which are drawn for the exposure only.
    hot = [thing for thing in frame.distractors if thing.on_raw]
    return expose(frame.scene, frame.clean.copy(), (), rng=rng, distractors=hot).pixels


def shadow_depth(casts: Sequence[Cast], frame: Frame) -> FloatArray:
    """Return |1 − T| in luminance of the deepest shadow on each pixel, float32 (height, width)."""
    depth = np.zeros(frame.scene.shape, dtype=np.float32)
    for each in casts:
        here, stamp = overlap(frame.scene.shape, each.shadow)
        np.maximum(depth[here], np.abs(each.shadow.depth[stamp]), out=depth[here])
    return depth
