"""A detector that says it has learned from develop seeds."""

from moteyard.detectors import SingleFrame, Spots


class Pupil(SingleFrame):
    """Finds nothing, but has a card."""

    name, version = "pupil", "1"

    def __init__(self):
        self.card = {"namespaces": ["develop"]}

    def detect_one(self, photograph):
        """Return nothing."""
        return Spots()
