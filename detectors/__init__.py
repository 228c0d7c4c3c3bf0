"""Detectors of dust shadows, and what one must be."""

from .check import ContractError, check_answer
from .contract import Detector, Photograph, SingleFrame, Spots
from .registry import DetectorError, Entry, entries, fingerprint, load, names

__all__ = [
    "ContractError",
    "Detector",
    "DetectorError",
    "Entry",
    "Photograph",
    "SingleFrame",
    "Spots",
    "check_answer",
    "entries",
    "fingerprint",
    "load",
    "names",
]
