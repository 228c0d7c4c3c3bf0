"""Cameras by name: the fields in which they differ from the plain one."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

PRESETS: Mapping[str, Mapping[str, Any]] = {
    "plain": {},
    "raw-like": {
        "demosaic": "bilinear",
        "red_gain": 2.0,
        "blue_gain": 1.6,
        "falloff": 0.3,
        "bits": 16,
        "encoding": "linear",
    },
    "in-camera-jpeg": {
        "demosaic": "edge-aware",
        "red_gain": 2.0,
        "blue_gain": 1.6,
        "falloff": 0.3,
        "falloff_corrected": True,
        "noise_reduction": 1.5,
        "sharpening": 0.7,
        "sharpening_px": 0.9,
        "jpeg_quality": 92,
        "jpeg_chroma": "4:2:2",
    },
    "strong-noise-reduction": {
        "iso": 1600.0,
        "demosaic": "edge-aware",
        "red_gain": 2.0,
        "blue_gain": 1.6,
        "falloff": 0.3,
        "falloff_corrected": True,
        "noise_reduction": 3.0,
        "sharpening": 1.0,
        "sharpening_px": 1.2,
        "jpeg_quality": 88,
        "jpeg_chroma": "4:2:0",
    },
}
"""Names and fields of `Camera`. Gains are those of daylight on common sensors, the rest is common practice:
nobody's camera in particular."""


def preset(name: object) -> dict[str, Any]:
    """Return the fields of a named camera.

    Raises
    ------
    ValueError
        If there is none of that name; the message lists the known ones.
    """
    if not isinstance(name, str) or name not in PRESETS:
        near = difflib.get_close_matches(str(name), PRESETS, n=1)
        meant = f"did you mean {near[0]!r}? " if near else ""
        raise ValueError(f"unknown camera preset {name!r}; {meant}known are {', '.join(PRESETS)}")
    return dict(PRESETS[name])
