"""The hand-over from the yard to a detector: the only place that decides what a detector may see."""

from __future__ import annotations

from ..detectors.contract import Photograph
from ..generators.scene import Frame


def photograph(frame: Frame, *, roll: str = "") -> Photograph:
    """Return what a camera's file would tell of a frame: no truth, no clean ground, no filter distance.

    Parameters
    ----------
    roll
        A name for the roll that it is of; the frame's own digest where it is of none.
    """
    return Photograph(
        pixels=frame.pixels,
        f_number=frame.scene.optics.f_number,
        pixel_um=frame.scene.optics.pixel_um,
        encoding=frame.scene.camera.encoding,
        roll=roll or frame.scene.digest,
        is_test_frame=frame.scene.background == "screen",
    )
