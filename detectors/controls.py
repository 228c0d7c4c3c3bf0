"""The floor of every ranking: methods that know nothing."""

from __future__ import annotations

import hashlib

import numpy as np

from .contract import Photograph, SingleFrame, Spots
from .optical_scales import fwhm_range_px
from .peaks import most_candidates


class Nothing(SingleFrame):
    """Finds nothing, anywhere."""

    name = "nothing"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return no spots."""
        return Spots()


class Guess(SingleFrame):
    """Points at random places with random scores, the same ones for the same pixels."""

    name = "guess"
    version = "1"

    def detect_one(self, photograph: Photograph) -> Spots:
        """Return as many places as a frame of this size may have, uniform over it, scores uniform in 0…1."""
        height, width = photograph.shape
        count = most_candidates((height, width)) if height and width else 0
        digest = hashlib.sha256(np.ascontiguousarray(photograph.pixels).data).digest()
        rng = np.random.default_rng(np.frombuffer(digest, dtype=np.uint32))
        low, high = fwhm_range_px(photograph)
        return Spots(
            x=rng.uniform(-0.5, width - 0.5, count).astype(np.float32).clip(0, max(0, width - 1)),
            y=rng.uniform(-0.5, height - 0.5, count).astype(np.float32).clip(0, max(0, height - 1)),
            diameter_px=np.full(count, np.sqrt(low * high), dtype=np.float32),
            score=rng.uniform(size=count).astype(np.float32),
        )
