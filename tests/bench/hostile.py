"""Detectors that misbehave, each in its own way; the yard must outlive them all."""

import ctypes
import os
import re
import signal

import numpy as np

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


class Segfaults(SingleFrame):
    """Reads address 0."""

    name, version = "segfaults", "1"

    def detect_one(self, photograph):
        return Spots(x=[len(ctypes.string_at(0))], y=[1], diameter_px=[5], score=[1])


class Vanishes(SingleFrame):
    """Ends its process in good order, without an answer."""

    name, version = "vanishes", "1"

    def detect_one(self, photograph):
        os._exit(0)


class Aborts(SingleFrame):
    name, version = "aborts", "1"

    def detect_one(self, photograph):
        os.abort()


class Spins(SingleFrame):
    """Stays in a loop in C that holds the interpreter: no other thread and no handler in Python gets a turn."""

    name, version = "spins", "1"

    def detect_one(self, photograph):
        re.match(r"(a+)+$", "a" * 64 + "b")  # 2⁶⁴ ways to fail
        return Spots()


class Hoards(SingleFrame):
    name, version = "hoards", "1"

    def detect_one(self, photograph):
        return Spots(x=np.ones(10**9)[:1], y=[1], diameter_px=[5], score=[1])


class Piles(SingleFrame):
    """Takes memory in small pieces until there is no more."""

    name, version = "piles", "1"

    def detect_one(self, photograph):
        pile = []
        while True:
            pile.append(bytearray(10**7))


class Mumbles(SingleFrame):
    name, version = "mumbles", "1"

    def detect_one(self, photograph):
        raise Wordless


class Wordless(BaseException):
    def __str__(self):
        raise RuntimeError("no words")
