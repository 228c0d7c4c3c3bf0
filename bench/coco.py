"""The truth of rendered frames in the COCO object-detection JSON layout, which most training code reads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..generators.scene import Frame


def coco(frames: Sequence[tuple[str, Frame]]) -> dict[str, Any]:
    """Return the layout for (file name, frame) pairs.

    A box is the square of side FWHM about the shadow's centre; its corner is given in the layout's
    convention, where (0, 0) is the outer corner of the first pixel: half a pixel off this project's.
    """
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for number, (file_name, frame) in enumerate(frames, start=1):
        height, width = frame.scene.shape
        images.append(
            {
                "id": number,
                "file_name": file_name,
                "width": width,
                "height": height,
                "f_number": frame.scene.optics.f_number,
                "background": frame.scene.background,
            }
        )
        truth = frame.truth
        for index in range(len(truth)):
            side = float(truth.fwhm_px[index])
            corner = [float(truth.x[index]) + 0.5 - side / 2, float(truth.y[index]) + 0.5 - side / 2]
            annotations.append(
                {
                    "id": len(annotations) + 1,
                    "image_id": number,
                    "category_id": 1,
                    "bbox": [round(value, 3) for value in (*corner, side, side)],
                    "area": round(side * side, 3),
                    "iscrowd": 0,
                    "depth": round(float(truth.depth[index]), 6),
                    "diameter_um": round(float(truth.diameter_um[index]), 3),
                    "detectability": round(float(truth.detectability[index]), 3),
                }
            )
    return {
        "info": {"description": "Rendered by moteyard; every shadow is known."},
        "categories": [{"id": 1, "name": "dust shadow"}],
        "images": images,
        "annotations": annotations,
    }
