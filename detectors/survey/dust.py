"""All grains that test frames show, with the filter's distance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...generators.optics import Optics
from ...generators.shadow import cast
from ..contract import Photograph
from ..optical_scales import FILTER_DISTANCE_MM, known_f_number, pixel_pitch_um
from .distance import Distance, filter_distance
from .neighbours import alone, fit_all, neighbours
from .odd import odd_things
from .shadow_fit import ShadowFit, opacity
from .stack import Stack, stacked

FLOOR = 6.0
"""Response from which on a place is taken, in deviations of the noise."""

PLAIN = 10.0
"""Response from which on a grain helps to tell the filter's distance."""

FAR_MM = 2.2
"""Where few grains are plain at the nominal distance, shadows of this one are looked for too: twice as wide."""

ENOUGH = 8
"""Grains that tell the distance well."""

ODD_FLOOR = 12.0
"""Response from which on a place that no disk explains is told of: what is fainter may be the screen or JPEG."""

EACH_SIGMAS = 2.5
"""Each frame must show a grain by so many standard errors where the frames together show it plainly."""

LEAST_ROUNDNESS = 0.5
"""Share of the variance about a grain, beyond noise, that an opaque disk's shadow explains at least."""


@dataclass(frozen=True, slots=True)
class DustGrain:
    """One grain on the filter.

    Attributes
    ----------
    x, y
        Centre of its shadow in pixels of the test frames, as stored in the photographs given.
    diameter_um, diameter_se_um
        Of an opaque disk that casts this shadow, with its standard error.
    depth, fwhm_px
        Of its shadow in the test frames, in luminance.
    response
        Signal over noise of all frames together.
    opacity
        By what factor its shadow is as deep as that of an opaque disk, in each frame.
    roundness
        Share of the shadow's variance that the disk explains, at most 1.
    """

    x: float
    y: float
    diameter_um: float
    diameter_se_um: float
    depth: float
    fwhm_px: float
    response: float
    opacity: tuple[float, ...]
    roundness: float

    @property
    def fits(self) -> bool:
        """Whether an opaque disk accounts for what is seen well enough to be measured by it."""
        return self.roundness > LEAST_ROUNDNESS


@dataclass(frozen=True, slots=True)
class Dust:
    """What lies on a filter, by its test frames.

    Attributes
    ----------
    grains
        The largest first.
    distance
        The filter's, air-equivalent; all diameters go with it.
    optics
        Of the test frames, with that distance.
    shape
        Height and width of the test frames in pixels.
    marked
        Share of the picture in which marks of the screen were taken off; nan for one frame.
    doubtful
        Places (x, y) that the frames don't agree on: marks of the screen.
    odd
        Places (x, y) of what stays but is no round grain: fibres, rings, scratches, drops.
    """

    grains: tuple[DustGrain, ...]
    distance: Distance
    optics: Optics
    shape: tuple[int, int]
    marked: float
    doubtful: tuple[tuple[float, float], ...] = ()
    odd: tuple[tuple[float, float], ...] = ()

    def column(self, name: str) -> NDArray[np.float64]:
        """Return an attribute of all grains, float64 (n,)."""
        return np.array([getattr(grain, name) for grain in self.grains], dtype=np.float64)


def survey(frames: Sequence[Photograph], *, distance_mm: float | None = None) -> Dust:
    """Return what test frames tell of the filter: frames of one plain screen, moved between them, by one lens.

    Parameters
    ----------
    frames
        All with one known f-number; the pixel pitch makes the µm.
    distance_mm
        The filter's air-equivalent distance where it is known; else it is estimated.

    Raises
    ------
    ValueError
        If there is no frame, or they differ in size or f-number, or the f-number is unknown.
    """
    return survey_of_stack(stacked(frames), test_optics(frames), distance_mm=distance_mm)


def survey_of_stack(stack: Stack, optics: Optics, *, distance_mm: float | None = None) -> Dust:
    """Return what flattened frames tell, `survey` from there on; `test_optics` gives their optics."""
    if distance_mm is not None:
        known = Distance(distance_mm, distance_mm, distance_mm, 0)
        return found_dust(stack, replace(optics, filter_distance_mm=distance_mm), known)
    distance = filter_distance(stack.mean, optics, _starts(stack, optics))
    return found_dust(stack, replace(optics, filter_distance_mm=distance.mm), distance)


def _starts(stack: Stack, optics: Optics) -> list[tuple[float, float, float]]:
    """Return (x, y, diameter) of plain grains that stand alone, the plainest first."""
    near, far = (replace(optics, filter_distance_mm=mm) for mm in (FILTER_DISTANCE_MM, FAR_MM))
    found = _lone(stack, near)
    return found if len(found) >= ENOUGH else max(found, _lone(stack, far), key=len)


def _lone(stack: Stack, optics: Optics) -> list[tuple[float, float, float]]:
    fits = fit_all(stack.mean, optics, floor=PLAIN, usable=stack.usable)
    lone = [fit for number, (fit, _) in enumerate(fits) if not neighbours(fits, number, optics)]
    return [(fit.x, fit.y, fit.diameter_um) for fit in lone]


def test_optics(frames: Sequence[Photograph]) -> Optics:
    """Return the test frames' aperture and pixel with the nominal filter distance."""
    numbers = {known_f_number(frame) for frame in frames}
    if not frames or None in numbers or len(numbers) > 1:
        raise ValueError(f"test frames need one known f-number, not {sorted(numbers, key=str)}")
    (number,) = numbers
    assert number is not None
    return Optics(f_number=number, filter_distance_mm=FILTER_DISTANCE_MM, pixel_um=pixel_pitch_um(frames[0]))


def found_dust(stack: Stack, optics: Optics, distance: Distance) -> Dust:
    """Return the grains in flattened frames at a known filter distance."""
    fits = fit_all(stack.mean, optics, floor=FLOOR, usable=stack.usable)
    grains, doubtful, odd = [], [], []
    for number, (fit, response) in enumerate(fits):
        near = [other for other, _ in neighbours(fits, number, optics)]
        shares = [opacity(alone(frame, fit, near, optics), fit, optics) for frame in stack.frames]
        grain = _grain(fit, optics, shares=shares, response=response, noise=stack.noise)
        if not _agreed(shares):
            doubtful.append((fit.x, fit.y))
        elif grain.fits:
            grains.append(grain)
        elif response > ODD_FLOOR and stack.holds(fit.x, fit.y):
            odd.append(fit)
    grains.sort(key=lambda grain: -grain.diameter_um)
    known = [((grain.x, grain.y), grain.fwhm_px) for grain in grains]
    things = odd_things(odd, known, width_px=optics.blur_um / optics.pixel_um)
    return Dust(tuple(grains), distance, optics, stack.shape, stack.marked, tuple(doubtful), things)


def _agreed(shares: Sequence[tuple[float, float]]) -> bool:
    """Tell whether every frame shows the shadow, about as deep as the others: what moves with the screen does not."""
    depths, errors = (np.array(column) for column in zip(*shares, strict=True))
    mean = float(depths.mean())
    shown = depths > np.minimum(EACH_SIGMAS * errors, 0.5 * mean)
    return bool(np.all(shown) and np.all(depths < 1.5 * mean + EACH_SIGMAS * errors) and mean > 0)


def _grain(
    fit: ShadowFit, optics: Optics, *, shares: Sequence[tuple[float, float]], response: float, noise: float
) -> DustGrain:
    shadow = cast(fit.diameter_um, optics, x=fit.x, y=fit.y)
    noise_there = noise**2 / len(shares)
    unexplained = max(0.0, fit.misfit / fit.count - noise_there)
    explained = max(fit.spread - noise_there, 1e-3 * fit.spread)
    return DustGrain(
        x=fit.x,
        y=fit.y,
        diameter_um=fit.diameter_um,
        diameter_se_um=fit.diameter_se_um,
        depth=shadow.peak_depth,
        fwhm_px=shadow.fwhm_px,
        response=response,
        opacity=tuple(share for share, _ in shares),
        roundness=1 - unexplained / explained,
    )
