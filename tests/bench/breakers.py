"""Detectors that break one demand of the contract each."""

import os
import time

import numpy as np

from moteyard.detectors.contract import SingleFrame, Spots


def one(x=90, y=90, score=1.0):
    return Spots(x=[x], y=[y], diameter_px=[9], score=[score])


class Eager(SingleFrame):
    """Finds the same place everywhere."""

    name, version = "eager", "1"

    def detect_one(self, photograph):
        return one()


class Unnamed(Eager):
    name, version = "unnamed", 2


class Lonely(Eager):
    name = "lonely"

    def detect(self, roll):
        return [Spots()]


class Forgetful(SingleFrame):
    """Counts its calls."""

    name, version = "forgetful", "1"
    calls = 0

    def detect_one(self, photograph):
        self.calls += 1
        return one(score=self.calls)


class Reseeding(SingleFrame):
    name, version = "reseeding", "1"

    def detect_one(self, photograph):
        np.random.seed(1)  # noqa: NPY002
        return Spots()


class Painting(SingleFrame):
    name, version = "painting", "1"

    def detect_one(self, photograph):
        photograph.pixels[0, 0] = 0
        return Spots()


class Blind(SingleFrame):
    name, version = "blind", "1"

    def detect_one(self, photograph):
        return Spots()


class Dark(SingleFrame):
    """Takes the logarithm of black."""

    name, version = "dark", "1"

    def detect_one(self, photograph):
        with np.errstate(divide="ignore"):
            return one(0, 0, score=-np.log(photograph.luminance().min()))


class Trusting(SingleFrame):
    """Takes the f-number for granted."""

    name, version = "trusting", "1"

    def detect_one(self, photograph):
        return one(0, 0, score=1 / photograph.f_number)


class Hostile(SingleFrame):
    """Breaks the contract with words that would be markup."""

    name, version = "hostile", "1"

    def detect_one(self, photograph):
        if min(photograph.shape) < 50:
            raise ValueError("<img src=x onerror=alert(1)> & so on")
        return one()


class Markup(Hostile):
    name = "<script>alert(2)</script>"


class Sleeping(SingleFrame):
    name, version = "sleeping", "1"

    def detect_one(self, photograph):
        time.sleep(600)


class Leaving(SingleFrame):
    name, version = "leaving", "1"

    def detect_one(self, photograph):
        os._exit(3)


class Foresighted(Blind):
    """Says of a roll's beginning what only its end could tell."""

    name, version = "foresighted", "1"

    def detect_latest(self, roll, counts):
        return [Spots([len(roll)], [1], [9], [1]) for _ in counts]
