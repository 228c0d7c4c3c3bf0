import math

import numpy as np
import pytest

from moteyard.detectors.contract import Photograph
from moteyard.detectors.optical_scales import fwhm_range_px, ladder, reduction

PIXELS = np.zeros((8, 8, 3), np.uint8)


def test_range_at_f8_by_hand():
    # d/N = 125 µm; a factor √2 each way; the upper end beats the 100 µm grain
    low, high = fwhm_range_px(Photograph(PIXELS, f_number=8, pixel_um=1.0))
    assert low == pytest.approx(125 / math.sqrt(2))
    assert high == pytest.approx(125 * math.sqrt(2))


def test_grains_rule_at_small_apertures():
    # d/N = 15.6 µm: the least width is the least grain, the greatest the greatest grain
    assert fwhm_range_px(Photograph(PIXELS, f_number=64, pixel_um=1.0)) == (15.0, 100.0)


def test_marking_is_rounded_by_custom():
    low, _ = fwhm_range_px(Photograph(PIXELS, f_number=11, pixel_um=1.0))
    assert low == pytest.approx(1000 / math.sqrt(2) / 2**3.5)


def test_unknown_aperture_spans_known_ones():
    low, high = fwhm_range_px(Photograph(PIXELS, f_number=None, pixel_um=None))
    assert low == fwhm_range_px(Photograph(PIXELS, f_number=22, pixel_um=6.0))[0]
    assert high == fwhm_range_px(Photograph(PIXELS, f_number=5.6, pixel_um=6.0))[1]


def test_ladder_is_geometric_and_closed():
    steps = ladder(3.0, 20.0, ratio=1.5)
    assert (steps[0], steps[-1]) == (3.0, pytest.approx(20.0))
    ratios = np.divide(steps[1:], steps[:-1])
    assert np.ptp(ratios) < 1e-9
    assert ratios.max() <= 1.5


def test_ladder_of_one_width():
    assert ladder(5.0, 5.0) == (5.0,)


@pytest.mark.parametrize(("width", "step"), [(1, 1), (4.9, 1), (5, 2), (15.9, 2), (16, 4), (32, 8), (500, 8)])
def test_reduction_leaves_four_pixels_beyond_the_first_halving(width, step):
    assert reduction(width) == step
