"""Detectors that got worse, for the regression gate."""

import numpy as np

from moteyard.detectors.contract import Spots
from moteyard.detectors.dog import DifferenceOfGaussians


class Jittered(DifferenceOfGaussians):
    """As its base, but half of its spots are put down elsewhere and scores carry noise."""

    def detect_one(self, photograph):
        spots = super().detect_one(photograph)
        rng = np.random.default_rng(1)
        height, width = photograph.shape
        lost = rng.random(len(spots)) < 0.5
        x = np.where(lost, rng.uniform(0, width - 1, len(spots)), spots.x)
        y = np.where(lost, rng.uniform(0, height - 1, len(spots)), spots.y)
        score = spots.score * rng.uniform(0.5, 1.5, len(spots))
        return Spots(x=x, y=y, diameter_px=spots.diameter_px, score=score)
