"""Where a known grain's shadow falls in a photograph, how deep and how wide: the optics at work, nothing measured."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...generators.optics import Optics
from ...generators.shadow import Shadow, cast
from .dust import Dust, DustGrain


@dataclass(frozen=True, slots=True)
class Prediction:
    """One grain's shadow in one photograph.

    Attributes
    ----------
    grain
        As the test frames tell.
    shadow
        Centre `x`, `y` in pixels of the photograph; `depth` (h, w) and `transmission` (3, h, w) about the pixel
        `row`, `column`; `peak_depth` and `fwhm_px` in luminance.
    optics
        What cast it.
    """

    grain: DustGrain
    shadow: Shadow
    optics: Optics

    @property
    def x(self) -> float:
        """Centre to the right, in pixels of the photograph."""
        return self.shadow.x

    @property
    def y(self) -> float:
        """Centre downwards, in pixels of the photograph."""
        return self.shadow.y


def predict(
    dust: Dust, f_number: float, *, magnification: float = 1.0, shape: tuple[int, int] | None = None
) -> tuple[Prediction, ...]:
    """Return the shadows that a survey's grains cast in a photograph by the same camera.

    A shadow falls at x₀/(1 − d/L) from the optical axis, L the exit pupil's distance, so at another lens or focal
    length it lies further out by the ratio of the two factors: x = m·x_test about the middle of the frame.

    Parameters
    ----------
    f_number
        Of the photograph, as marked.
    magnification
        m; `lens_ratio` computes it from known exit pupils, `lens_magnification` finds it in the photograph.
    shape
        Height and width of the photograph in pixels where it was made smaller or larger as a whole; it must be
        stored as the test frames are (see `Picture.to_sensor`).

    Returns
    -------
    tuple of Prediction
        Of the grains whose centre falls inside, in the order of `dust.grains`.

    Raises
    ------
    ValueError
        If the photograph's shape isn't that of the test frames up to a common factor.
    """
    height, width = shape or dust.shape
    scale = width / dust.shape[1]
    if abs(height / dust.shape[0] / scale - 1) > 0.01:
        raise ValueError(
            f"the photograph is {width}×{height} and the test frames {dust.shape[1]}×{dust.shape[0]}: other sides' "
            "ratios, so it was cropped or turned and its places on the sensor are unknown"
        )
    optics = replace(dust.optics, f_number=f_number, pixel_um=dust.optics.pixel_um / scale)
    found = []
    for grain in dust.grains:
        x = (grain.x - (dust.shape[1] - 1) / 2) * scale * magnification + (width - 1) / 2
        y = (grain.y - (dust.shape[0] - 1) / 2) * scale * magnification + (height - 1) / 2
        if -0.5 <= x < width - 0.5 and -0.5 <= y < height - 0.5:
            found.append(Prediction(grain, cast(grain.diameter_um, optics, x=x, y=y), optics))
    return tuple(found)


def lens_ratio(distance_mm: float, *, test_pupil_mm: float, pupil_mm: float) -> float:
    """Return m = (1 − d/L_test)/(1 − d/L), by how much further out another lens puts a shadow.

    >>> round(20 / 0.005 * (lens_ratio(1.0, test_pupil_mm=1e9, pupil_mm=60.0) - 1))  # at 20 mm, in pixels of 5 µm
    68
    """
    return (1 - distance_mm / test_pupil_mm) / (1 - distance_mm / pupil_mm)
