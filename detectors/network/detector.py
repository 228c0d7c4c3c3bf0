"""The learned detector: a small network that has seen nothing but what the generators render."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..contract import Photograph, SingleFrame, Spots
from ..peaks import joined, local_maxima, most_candidates, without_doubles
from .features import View, blank_cells, features, fits, views
from .runtime import HAS_ONNXRUNTIME, Forward, Weights, answers, network, read_card
from .target import REFERENCE_PX, from_cells

FloatArray = NDArray[np.float32]

SINGLE = Weights("network.onnx", "ce8ae3196fca5a7959e4a6940c2e364e9df0290e9a76172945e9b0a93af7e287")
INTEGERS = Weights("network.int8.onnx", "b0319622d85a0a7288ef62b9974d8a676c554d8a10c0d73b988ef7ac69310867")
"""The same network for OpenCV and for onnxruntime: other weights are another detector, and so is other rounding."""

SHIPPED = INTEGERS if HAS_ONNXRUNTIME else SINGLE

FLOOR = -9.0
"""Log odds under which a local maximum is no candidate."""


class NetworkDetector(SingleFrame):
    """A small convolutional network on contrasts in log light, taught on frames that the generators rendered."""

    name = "network"
    version = "2-int8" if HAS_ONNXRUNTIME else "2"

    card: Mapping[str, Any] = read_card("card.json")

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return the local maxima of the network's log odds for a shadow's centre."""
        forward = network(SHIPPED)
        found = [_spots(photograph, view, forward) for view in views(photograph) if fits(photograph, view)]
        if not found:
            return Spots()
        return without_doubles(joined(found)).strongest(most_candidates(photograph.shape))


def _spots(photograph: Photograph, view: View, forward: Forward) -> Spots:
    shown = features(photograph, view)
    odds, size, down, right = answers(shown, forward)
    blank = blank_cells(shown)
    rows, columns = local_maxima(np.where(blank, -np.inf, odds), radius=1, floor=FLOOR)
    place = partial(from_cells, view=view)
    at = (rows, columns)
    height, width = photograph.shape
    return Spots(
        x=np.clip(place(columns + np.clip(right[at], -1, 1)), -0.5, width - 0.5),
        y=np.clip(place(rows + np.clip(down[at], -1, 1)), -0.5, height - 0.5),
        diameter_px=np.exp2(np.clip(size[at], -4, 6)) * REFERENCE_PX * view.step,
        score=odds[at],
    )
