"""The truth of rendered frames in the COCO object-detection JSON layout, which most training code reads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..generators.contamination import KINDS
from ..generators.scene import Frame
from ..generators.truth import Truth

CATEGORIES = {kind: number for number, kind in enumerate(KINDS, start=1)}
"""Category numbers by kind: grain 1, fibre 2, flake 3, ring 4, droplet 5, scratch 6."""


def coco(frames: Sequence[tuple[str, Frame]]) -> dict[str, Any]:
    """Return the layout for (file name, frame) pairs.

    A grain's box is the square of side FWHM about the shadow's centre; that of anything else holds its
    outline, and is never narrower than the FWHM. The corner is given in the layout's
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
            kind = str(truth.kind[index])
            corner, sides = _box(truth, index)
            annotations.append(
                {
                    "id": len(annotations) + 1,
                    "image_id": number,
                    "category_id": CATEGORIES[kind],
                    "bbox": [round(value, 3) for value in (*corner, *sides)],
                    "area": round(sides[0] * sides[1], 3),
                    "iscrowd": 0,
                    "depth": round(float(truth.depth[index]), 6),
                    "diameter_um": round(float(truth.diameter_um[index]), 3),
                    "detectability": round(float(truth.detectability[index]), 3),
                    "fwhm_px": round(float(truth.fwhm_px[index]), 3),
                    "identity": int(truth.identity[index]),
                }
            )
    return {
        "info": {"description": "Rendered by moteyard; every shadow is known."},
        "categories": [
            {"id": number, "name": kind, "supercategory": "dust shadow"} for kind, number in CATEGORIES.items()
        ],
        "images": images,
        "annotations": annotations,
    }


def _box(truth: Truth, index: int) -> tuple[list[float], list[float]]:
    """Return left and top, width and height."""
    fwhm = float(truth.fwhm_px[index])
    sides = [fwhm, fwhm]
    if truth.kind[index] != "grain":
        halves = (truth.half_width_px[index], truth.half_height_px[index])
        sides = [max(fwhm, 2 * float(half)) for half in halves]
    centre = (float(truth.x[index]), float(truth.y[index]))
    return [place + 0.5 - side / 2 for place, side in zip(centre, sides, strict=True)], sides
