"""Shadow stamps: depths, energy, shape, symmetry, and the general path against the disk's own."""

import math

import numpy as np
import pytest

from moteyard.generators.bands import RGB_BANDS
from moteyard.generators.optics import Optics
from moteyard.generators.propagate import Drawing, mask_stamp
from moteyard.generators.pupil import polygon_corners, polygon_transform
from moteyard.generators.shadow import Shadow, cast, stamp

GREEN = RGB_BANDS[1:2]

# Peak depth in % over all sub-pixel places, green band, 5 µm pixel, d in mm; a table computed beforehand from
# the same model by another program. Rows: p µm, d mm, then f/4, 8, 11, 16, 22, 32.
DEPTHS = """
10 0.7 0.495 2.11 4.49 11.8 23.3 19.7
20 0.7 1.57 6.52 13.6 32.7 54.2 50.9
50 0.7 8.72 36.3 72.7 84.6 86.1 85.1
10 1.0 0.253 1.07 2.25 5.21 15.8 15.7
20 1.0 0.815 3.38 6.99 14.7 38.6 46.2
30 1.0 1.66 6.83 14.1 34.2 54.8 66.4
50 1.0 4.32 17.7 37.1 70.9 80.7 80.6
100 1.0 16.6 72.1 92.4 94.4 93.9 94.7
20 2.0 0.227 0.939 1.93 4.04 8.84 26.7
50 2.0 1.12 4.55 9.26 19.0 44.7 64.0
"""


@pytest.mark.parametrize("row", DEPTHS.strip().splitlines())
def test_peak_depth_table(row):
    diameter, distance, *expected = map(float, row.split())
    for f_number, depth in zip((4, 8, 11, 16, 22, 32), expected, strict=True):
        optics = Optics(f_number=f_number, filter_distance_mm=distance, pixel_um=5)
        found = max(
            (1 - stamp(diameter, optics, offset_px=offset, bands=GREEN)).max()
            for offset in ((0, 0), (0.25, 0), (0.5, 0), (0.25, 0.25), (0.5, 0.5))
        )
        assert 100 * found == pytest.approx(depth, rel=0.01)


@pytest.mark.parametrize("blades", [0, 5, 8])
@pytest.mark.parametrize("f_number", [4, 11, 32])
def test_energy_of_a_stamp(f_number, blades):
    # ∫(1 − T) = πp²/4 in every band: the light a disk stops is lost, the rest only moves.
    optics = Optics(f_number=f_number, blades=blades)
    lost = (1 - stamp(25.0, optics, offset_px=(0.3, -0.4))).sum(axis=(1, 2)) * optics.pixel_um**2
    assert lost == pytest.approx(math.pi * 25**2 / 4, rel=1e-9)


def test_general_masks_agree_with_the_disk():
    optics = Optics(f_number=16, pixel_um=6)
    own = stamp(30.0, optics)
    pixels, per_pixel = 65, 13
    axis = (np.arange(pixels * per_pixel) - pixels * per_pixel // 2) * (6 / per_pixel)
    coverage = np.clip((15 - np.hypot(axis[:, None], axis[None, :])) / (6 / per_pixel) + 0.5, 0, 1)
    general = mask_stamp(Drawing(coverage.astype(complex), math.pi * 15**2, averaged=True), optics, per_pixel=per_pixel)
    cut = (pixels - own.shape[1]) // 2
    general = general[:, cut : cut + own.shape[1], cut : cut + own.shape[1]]
    assert np.abs(general - own).max() < 3e-3


def test_depth_grows_with_the_square_of_the_f_number_while_small():
    shallow = [(1 - stamp(40.0, Optics(f_number=n), model="geometric")[1]).max() for n in (4, 8)]
    assert shallow[1] / shallow[0] == pytest.approx(4, rel=1e-3)


def test_geometric_stamp_has_the_floor_of_rays():
    optics = Optics(f_number=8)
    assert (1 - stamp(40.0, optics, model="geometric")[1]).max() == pytest.approx((40 * 8 / 1000) ** 2, rel=0.01)


def test_a_round_shadow_is_symmetric():
    t = stamp(30.0, Optics(f_number=16))
    assert np.abs(t - t[:, ::-1, :]).max() < 1e-12
    assert np.abs(t - t.transpose(0, 2, 1)).max() < 1e-12


def test_the_offset_moves_the_centre_of_light():
    # Squared, so that the faint halo, which the stamp's rim cuts unevenly, has no say.
    depth = (1 - stamp(30.0, Optics(f_number=16), offset_px=(0.25, -0.4))[1]) ** 2
    axis = np.arange(depth.shape[0]) - depth.shape[0] // 2
    assert (depth.sum(axis=0) @ axis) / depth.sum() == pytest.approx(0.25, abs=2e-3)
    assert (depth.sum(axis=1) @ axis) / depth.sum() == pytest.approx(-0.4, abs=2e-3)


def test_blades_brighten_the_rim_and_leave_the_centre():
    # Five to nine straight blades move the centre by a point at most and raise the bright rim up to 1.4×.
    plain = stamp(30.0, Optics(f_number=16, pixel_um=5), bands=GREEN)
    for blades in (5, 7, 9):
        bladed = stamp(30.0, Optics(f_number=16, pixel_um=5, blades=blades), bands=GREEN)
        assert abs(bladed.min() - plain.min()) < 0.012
        assert 1.0 < (bladed.max() - 1) / (plain.max() - 1) < 1.5


def test_polygon_transform_against_sampling():
    corners = polygon_corners(5, 100.0, 17.0)
    axis = np.linspace(-10, 10, 1501)
    x, y = np.meshgrid(axis, axis)
    inside = np.ones_like(x, dtype=bool)
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        inside &= (bx - ax) * (y - ay) - (by - ay) * (x - ax) >= 0
    for fx, fy in ((0.0, 0.0), (0.05, 0.02), (-0.1, 0.07)):
        direct = np.sum(inside * np.exp(-2j * np.pi * (fx * x + fy * y))) * (axis[1] - axis[0]) ** 2
        assert polygon_transform(corners, np.array(fx), np.array(fy)) == pytest.approx(direct, abs=0.15)


def test_the_bands_see_nearly_the_same_depth():
    depths = (1 - stamp(30.0, Optics(f_number=16))).max(axis=(1, 2))
    assert np.ptp(depths) < 0.05
    assert np.ptp(depths) > 0


def test_width_is_the_larger_of_grain_and_pupil():
    # FWHM ≈ max(p, d/N): geometry's rule, good to a fifth here.
    for diameter, f_number in ((20, 8), (100, 22)):
        optics = Optics(f_number=f_number)
        expected = max(diameter, optics.blur_um) / optics.pixel_um
        assert cast(diameter, optics, x=50.2, y=40.7).fwhm_px == pytest.approx(expected, rel=0.2)


def test_cast_places_the_stamp_at_the_nearest_pixel():
    shadow = cast(20.0, Optics(), x=10.6, y=3.2)
    assert isinstance(shadow, Shadow)
    assert (shadow.column, shadow.row) == (11, 3)
    assert shadow.peak_depth == pytest.approx(shadow.depth.max())
    assert shadow.loss_px2 * 36 == pytest.approx(math.pi * 100, rel=1e-6)


@pytest.mark.parametrize("diameter", [0.0, -3.0, math.nan, math.inf])
def test_impossible_grains_are_refused(diameter):
    with pytest.raises(ValueError, match="diameter must be a positive number of µm"):
        stamp(diameter, Optics())


def test_unknown_model_is_refused():
    with pytest.raises(ValueError, match="known are wave, geometric"):
        stamp(10.0, Optics(), model="ray")


def test_masks_need_an_odd_grid():
    with pytest.raises(ValueError, match="odd number of pixels"):
        mask_stamp(Drawing(np.zeros((64, 64), complex)), Optics(), per_pixel=3)
