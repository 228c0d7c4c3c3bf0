"""Faint shadows as the evidence network's picture would show them, to be laid on pictures without any."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...detectors.network.evidence_target import EDGES_UM, REACH, STAMP_PX, TWINNED, VARIANTS, place_px
from ...detectors.network.features import View
from ...generators.particles import Particle
from ...generators.scene import Scene, filter_size_mm
from ...generators.shade import overlap
from ...generators.shadow import LUMINANCE

SCATTERS = 50
"""So often at most is dust scattered until there is some of each size."""


def stamps(scene: Scene, view: View, rng: np.random.Generator) -> NDArray[np.float16]:
    """Return ln of the transmission, (TWINNED, VARIANTS, STAMP_PX, STAMP_PX), of shadows of a scene's own dust.

    The centre of each lies anywhere in its stamp's middle place.
    """
    found = np.empty((TWINNED, VARIANTS, STAMP_PX, STAMP_PX), dtype=np.float16)
    for size, particles in enumerate(_by_size(scene, rng)):
        for variant, particle in enumerate(particles):
            found[size, variant] = _stamp(scene, view, particle, rng)
    return found


def _by_size(scene: Scene, rng: np.random.Generator) -> list[list[Particle]]:
    """Return VARIANTS particles of each twinned size, as the scene's population has them."""
    found: list[list[Particle]] = [[] for _ in range(TWINNED)]
    size_mm = filter_size_mm(scene.camera, scene.optics)
    for _ in range(SCATTERS):
        for particle in scene.population.scatter(*size_mm, rng):
            kind = int(np.searchsorted(EDGES_UM, particle.size_um / scene.optics.filter_distance_mm)) - 1
            if 0 <= kind < TWINNED and len(found[kind]) < VARIANTS:
                found[kind].append(particle)
        if all(len(each) == VARIANTS for each in found):
            return found
    sizes = f"{EDGES_UM[0]:.0f} to {EDGES_UM[TWINNED]:.0f} µm"
    raise ValueError(f"{scene.population} has no grains of some size from {sizes}")


def _stamp(scene: Scene, view: View, particle: Particle, rng: np.random.Generator) -> NDArray[np.floating]:
    side = place_px(view)
    y, x = REACH * side + (side - 1) / 2 + side * (rng.random(2) - 0.5)
    shadow = particle.shadow(scene.optics, x=float(x), y=float(y))
    light = np.ones((STAMP_PX * view.step, STAMP_PX * view.step))
    frame, inside = overlap((light.shape[0], light.shape[1]), shadow)
    light[frame] = np.tensordot(LUMINANCE, shadow.transmission[(slice(None), *inside)], axes=1)
    shrunk = light.reshape(STAMP_PX, view.step, STAMP_PX, view.step).mean(axis=(1, 3))
    return np.asarray(np.log(shrunk))
