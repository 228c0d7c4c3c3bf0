"""Whether test frames are good ones, and how to take better ones."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from ....detectors.contract import FloatArray
from ....detectors.picture import SATURATED
from ....detectors.survey import Dust, Stack
from ....generators.cv import cv2
from .frames import TestFrame

SMALL_APERTURE = 15.0
"""From f/16 on a test frame shows nearly all that any photograph will (common practice: f/16 to f/22)."""

CLIPPED_SHARE = 0.001
"""Share of clipped pixels from which a frame is overexposed."""

PEAK = (0.35, 0.9)
"""Where the brightest hundredth of a good test frame lies in linear light: at most 1.5 stops below clipping."""

BASE_ISO = 400.0
"""Above it noise hides small grains (common practice: base sensitivity)."""

UNEVEN = 0.5
"""Darkest to brightest part of a lit screen; less is more than a stop."""

UNLIT_SHARE = 0.01
"""Share of the picture outside the lit screen from which the screen is too small."""

SAME_PATTERN = 0.5
"""Correlation of what is left of two frames beside the dust, from which the screen stood still."""

FINE_PX, COARSE_PX = 2.0, 6.0
"""Widths between which texture of the screen would show, and noise is averaged."""

TEXTURE, LEAST_TEXTURE = 2.5, 0.002
"""By how much such texture exceeds what the pixels' noise leaves there, and its least contrast, from which the screen
is held to be in focus: JPEG alone leaves some."""

DUST_WIDTHS = 2.0
"""So many widths about a grain are left out of what is said of the screen."""


def advice(frames: Sequence[TestFrame], stack: Stack, dust: Dust) -> list[str]:
    """Return what to do better, a sentence each; none for good frames."""
    return [
        *_aperture(frames),
        *_exposure(frames),
        *_iso(frames),
        *_depth(frames),
        *_light(stack),
        *_screen(stack, dust),
    ]


def _aperture(frames: Sequence[TestFrame]) -> Iterator[str]:
    number = frames[0].photograph.f_number or math.nan
    if number < SMALL_APERTURE:
        yield (
            f"aperture: f/{number:g} hides small grains; close the lens to f/16 or f/22, where a shadow is "
            f"{(22 / number) ** 2:.0f} times as deep"
        )


def _exposure(frames: Sequence[TestFrame]) -> Iterator[str]:
    for frame in frames:
        light = frame.photograph.luminance()[::3, ::3]
        clipped = float(np.mean(light > SATURATED))
        peak = float(np.percentile(light, 99))
        if clipped > CLIPPED_SHARE:
            yield (
                f"exposure: {100 * clipped:.1f} % of {frame.path.name} is clipped, where dust can't be seen; "
                "give a stop less"
            )
        elif peak < PEAK[0]:
            stops = math.log2(0.7 / peak)
            yield (
                f"exposure: {frame.path.name} is dark, its brightest part lies {math.log2(1 / peak):.1f} stops below "
                f"clipping; give {stops:.1f} stops more, so that it comes near the right end without touching it"
            )


def _iso(frames: Sequence[TestFrame]) -> Iterator[str]:
    most = max((frame.facts.iso or 0.0 for frame in frames), default=0.0)
    if most > BASE_ISO:
        yield f"sensitivity: ISO {most:.0f} is noisy; use the camera's base ISO, a long exposure does no harm here"


def _depth(frames: Sequence[TestFrame]) -> Iterator[str]:
    for frame in frames:
        codes = frame.photograph.pixels[::3, ::3]
        # 8 bits made 16 end in their own copy or in zeros; sensor numbers do so once in 256.
        if codes.dtype == np.uint16 and (not (codes & 255).any() or not np.any((codes >> 8) ^ (codes & 255))):
            yield (
                f"depth: {frame.path.name} has 8-bit values in 16 bits, so the finest shadows are lost; give the raw "
                "file, or develop it to 16 bits"
            )


def _light(stack: Stack) -> Iterator[str]:
    usable = stack.usable
    unlit = float(np.mean(~usable))
    if unlit > UNLIT_SHARE:
        yield (
            f"screen: {100 * unlit:.0f} % of the picture is clipped or not the lit screen; go nearer until the screen "
            "fills the frame"
        )
    if not usable.any():
        return
    for number, smooth in enumerate(stack.shading, start=1):
        low, high = (float(v) for v in np.percentile(smooth[usable][::31], [1, 99]))
        if low / high < UNEVEN:
            yield (
                f"light: frame {number} falls off by {math.log2(high / low):.1f} stops; light the screen evenly and "
                "face it squarely"
            )


def _screen(stack: Stack, dust: Dust) -> Iterator[str]:
    if len(stack.frames) < 2:
        yield (
            "frames: with one frame marks of the screen can't be told from dust; take two or more and move the "
            "camera or the screen between them"
        )
    clear = clear_ground(stack, dust)
    if not clear.any():
        return
    left = [_band(frame) for frame in stack.frames]
    noise = stack.noise * _noise_share()
    spreads = [_spread(band[clear]) for band in left]
    if max(spreads) > max(TEXTURE * noise, LEAST_TEXTURE):
        yield (
            "focus: the screen's own texture shows; focus at infinity by hand and hold the camera close to the "
            "screen, so that it blurs"
        )
        if len(left) > 1 and float(np.corrcoef(left[0][clear], left[1][clear])[0, 1]) > SAME_PATTERN:
            yield "frames: the screen stood still between the frames; move the camera or the screen, dust stays anyway"


def clear_ground(stack: Stack, dust: Dust) -> NDArray[np.bool_]:
    """Return where frames are usable and no grain's shadow lies, booleans (height, width)."""
    clear = stack.usable.astype(np.uint8)
    for grain in dust.grains:
        radius = max(3, math.ceil(DUST_WIDTHS * grain.fwhm_px / 2 * 2))
        cv2.circle(clear, (round(grain.x), round(grain.y)), radius, 0, -1)
    return np.asarray(clear, dtype=bool)


def _band(flat: FloatArray) -> FloatArray:
    fine = cv2.GaussianBlur(flat, (0, 0), FINE_PX)
    return np.asarray(fine - cv2.GaussianBlur(flat, (0, 0), COARSE_PX), dtype=np.float32)


def _noise_share() -> float:
    """Return the standard deviation that white noise of 1 keeps between the two widths.

    Of a Gaussian's weights the squares sum to 1/(4πσ²), of two Gaussians' products to 1/(2π(σ₁² + σ₂²)).
    """
    a, b = FINE_PX**2, COARSE_PX**2
    return math.sqrt(1 / (4 * math.pi * a) + 1 / (4 * math.pi * b) - 1 / (math.pi * (a + b)))


def _spread(values: FloatArray) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
