"""What test frames tell: dust parted from the screen, each grain's size, the filter's distance, and what follows."""

from .dust import Dust, DustGrain, survey
from .lens import LensRatio, lens_evidence, lens_magnification, lens_ratio_range, likely_ratio
from .predict import Prediction, lens_ratio, predict
from .remeasure import Measured, remeasure
from .stack import Stack, stacked

__all__ = [
    "Dust",
    "DustGrain",
    "LensRatio",
    "Measured",
    "Prediction",
    "Stack",
    "lens_evidence",
    "lens_magnification",
    "lens_ratio",
    "lens_ratio_range",
    "likely_ratio",
    "predict",
    "remeasure",
    "stacked",
    "survey",
]
