"""Detectors that misbehave, each in its own way; the yard must outlive them all."""

import os
import signal

from moteyard.detectors.contract import SingleFrame, Spots


class Raises(SingleFrame):
    name, version = "raises", "1"

    def detect_one(self, photograph):
        raise RuntimeError("the lamp is broken")


class Nan(SingleFrame):
    name, version = "nan", "1"

    def detect_one(self, photograph):
        return Spots(x=[1], y=[1], diameter_px=[5], score=[float("nan")])


class Outside(SingleFrame):
    name, version = "outside", "1"

    def detect_one(self, photograph):
        return Spots(x=[-50], y=[1], diameter_px=[5], score=[1])


class Dies(SingleFrame):
    name, version = "dies", "1"

    def detect_one(self, photograph):
        os.kill(os.getpid(), signal.SIGSEGV)


class Leaves(SingleFrame):
    name, version = "leaves", "1"

    def detect_one(self, photograph):
        raise SystemExit(0)


class Hyphened(SingleFrame):
    name, version = "my-own", "1"

    def detect_one(self, photograph):
        return Spots(x=[5], y=[5], diameter_px=[9], score=[1])


class Ideal(Hyphened):
    name = "ideal"


class TwoLines(Hyphened):
    name = "a\nb"
