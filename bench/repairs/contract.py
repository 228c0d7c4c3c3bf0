"""What a repair may see, what it must answer, and the base class for repairs that mend spot by spot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph, Spots

BoolArray = NDArray[np.bool_]
Window = tuple[slice, slice]

REACH = 1.6
"""Radius about a spot over half its width at half depth: the shadow of a disk under a disk ends by then."""

DIVIDED, FILLED, LEFT = "divided", "filled", "left"
"""How a spot was mended: the light given back, new pixels put in, or not at all."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the dust from elsewhere than the picture to be mended: other photographs, measurements.

    Attributes
    ----------
    filter_distance_mm
        Air-equivalent distance from the dust to the photosites, or None.
    diameter_um
        Diameters of the grains, one a spot, nan where unknown; or None.
    diameter_error
        Standard deviation of the natural logarithms of these diameters, one for all or one a spot.
    place_px
        Standard deviation of the spots' places, x and y alike, in pixels: a hand or a detector in one picture places
        them to about 1.5.
    """

    filter_distance_mm: float | None = None
    diameter_um: NDArray[np.float64] | None = None
    diameter_error: float | NDArray[np.float64] = 0.1
    place_px: float = 1.5

    def sizes(self, count: int) -> NDArray[np.float64]:
        """Return the diameters of `count` spots, nan where unknown."""
        return np.full(count, np.nan) if self.diameter_um is None else np.asarray(self.diameter_um, dtype=float)

    def take(self, index: NDArray[Any]) -> Known:
        """Return what is known of some of the spots."""
        if self.diameter_um is None:
            return self
        error = np.broadcast_to(self.diameter_error, self.diameter_um.shape)
        return replace(self, diameter_um=self.diameter_um[index], diameter_error=error[index])


UNKNOWN = Known()
"""Nothing is known."""


@dataclass(frozen=True, slots=True)
class Mended:
    """What was done to one spot.

    Attributes
    ----------
    how
        `DIVIDED`, `FILLED` or `LEFT`.
    x, y
        Centre that was used, in pixels.
    depth
        Peak share of the light that was given back, 0…1; nan where pixels were put in.
    depth_error
        Its standard deviation by the statistics of the ground, nan where unknown.
    diameter_um
        Diameter of the round grain that casts such a shadow, nan where none was fitted.
    note
        Why it was left, or what to know about it, in a few words; or "".
    """

    how: str
    x: float
    y: float
    depth: float = float("nan")
    depth_error: float = float("nan")
    diameter_um: float = float("nan")
    note: str = ""


@dataclass(frozen=True, slots=True)
class Repaired:
    """A photograph's pixels after a repair.

    Attributes
    ----------
    pixels
        Array of the photograph's shape and type; where `touched` is False, the photograph's own codes.
    touched
        Booleans (height, width): pixels whose codes were changed.
    spots
        What was done to each spot, in the order in which they were given.
    """

    pixels: NDArray[Any]
    touched: BoolArray
    spots: tuple[Mended, ...]


@runtime_checkable
class Repair(Protocol):
    """Anything with a name, a version and a `repair`."""

    name: str
    version: str

    def repair(self, photograph: Photograph, spots: Spots, known: Known = UNKNOWN) -> Repaired:
        """Return the photograph with the spots mended; the photograph itself stays as it is.

        Parameters
        ----------
        photograph
            The pixels, their linear light, the aperture and the pixel pitch.
        spots
            Where to mend, with widths; all of them are meant.
        known
            What is known beyond this picture; its columns are as long as `spots`.
        """
        ...


@dataclass(frozen=True, slots=True)
class Patch:
    """New codes for a part of a picture.

    Attributes
    ----------
    window
        Rows and columns of the picture.
    pixels
        Codes (h, w, 3) of the picture's type; what equals the old codes counts as untouched.
    mended
        What was done.
    """

    window: Window
    pixels: NDArray[Any]
    mended: Mended


class SpotBySpot:
    """Base of the repairs that mend one spot after the other, strongest first, each on what the last one left.

    >>> class Whitewash(SpotBySpot):
    ...     name, version = "whitewash", "1"
    ...     def mend(self, photograph, spot, known):
    ...         x, y = round(float(spot.x[0])), round(float(spot.y[0]))
    ...         white = np.full((1, 1, 3), 255, np.uint8)
    ...         return Patch((slice(y, y + 1), slice(x, x + 1)), white, Mended(FILLED, x, y))
    >>> grey = Photograph(np.full((8, 9, 3), 128, np.uint8))
    >>> done = Whitewash().repair(grey, Spots([3], [2], [1], [1]))
    >>> int(done.touched.sum()), done.pixels[2, 3].tolist(), grey.pixels[2, 3].tolist()
    (1, [255, 255, 255], [128, 128, 128])
    """

    name: str
    version: str

    def repair(self, photograph: Photograph, spots: Spots, known: Known = UNKNOWN) -> Repaired:
        """Mend each spot by itself."""
        pixels = photograph.pixels.copy()
        touched = np.zeros(photograph.shape, dtype=bool)
        working = replace(photograph, pixels=pixels)
        done: dict[int, Mended] = {}
        for index in np.argsort(-spots.score, kind="stable").tolist():
            alone = np.array([index])
            patch = self.mend(working, spots.take(alone), known.take(alone))
            touched[patch.window] |= changed(patch.pixels, pixels[patch.window])
            pixels[patch.window] = patch.pixels
            done[index] = patch.mended
        return Repaired(pixels, touched, tuple(done[index] for index in range(len(spots))))

    def mend(self, photograph: Photograph, spot: Spots, known: Known) -> Patch:
        """Return new codes about one spot; those of the photograph where nothing is to change."""
        raise NotImplementedError


def changed(new: NDArray[Any], old: NDArray[Any]) -> BoolArray:
    """Return where two pictures (h, w, 3) differ in any band; far faster than a reduction over a short axis."""
    different = new != old
    return np.asarray(different[..., 0] | different[..., 1] | different[..., 2])


def window_about(shape: tuple[int, int], centre: tuple[float, float], reach: float) -> Window:
    """Return the rows and columns within `reach` pixels of a place (x, y), cut at the frame's edges."""
    x, y = centre
    top, left = max(0, int(np.floor(y - reach))), max(0, int(np.floor(x - reach)))
    bottom, right = min(shape[0], int(np.ceil(y + reach)) + 1), min(shape[1], int(np.ceil(x + reach)) + 1)
    return slice(top, bottom), slice(left, right)


def disc(window: Window, centre: tuple[float, float], radius: float) -> BoolArray:
    """Return which pixels of a window lie within `radius` of a place (x, y)."""
    rows, columns = np.ogrid[window]
    return np.asarray(np.hypot(columns - centre[0], rows - centre[1]) <= radius)


def place(spot: Spots) -> tuple[float, float]:
    """Return x and y of a single spot."""
    return float(spot.x[0]), float(spot.y[0])
