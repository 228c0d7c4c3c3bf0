"""The table of profiles against the exact stamps, its light, its order and its limits."""

import math
import os
import subprocess
import sys

import numpy as np
import pytest

from moteyard.generators import shadow
from moteyard.generators.optics import Optics
from moteyard.generators.profile import radial_profile
from moteyard.generators.shadow import cast, stamp
from moteyard.generators.shadow_table import ShadowTable

CORNERS = [(0.5, 32, 3), (0.5, 32, 9), (0.5, 4, 6), (1, 11, 6), (3, 22, 6)]
SIZES = (5.0, 8.3, 13.7, 30.0, 77.7, 149.9)


def optics(distance_mm, f_number, pixel_um):
    return Optics(filter_distance_mm=distance_mm, f_number=f_number, pixel_um=pixel_um)


def padded(layers, side):
    margin = (side - layers.shape[-1]) // 2
    return np.pad(layers, ((0, 0), (margin, margin), (margin, margin)))


@pytest.mark.parametrize("corner", CORNERS)
def test_a_table_is_within_a_thousandth_of_exact_stamps(corner, monkeypatch):
    # Against stamps half as wide again, whose rim is calmer than what is asked here.
    size_of = shadow.stamp_size
    monkeypatch.setattr(shadow, "stamp_size", lambda p, o: int(1.5 * size_of(p, o)) | 1)
    table = ShadowTable(optics(*corner))
    rng = np.random.default_rng(1)
    for diameter in SIZES:
        dx, dy = rng.uniform(-0.5, 0.5, 2)
        exact = 1 - stamp(diameter, table.optics, offset_px=(dx, dy))
        found = 1 - table.cast(diameter, 40 + dx, 50 + dy).transmission
        side = max(exact.shape[-1], found.shape[-1])
        assert np.abs(padded(exact, side) - padded(found, side)).max() < 1e-3
        lost = found.sum(axis=(1, 2)) * table.optics.pixel_um**2
        assert lost == pytest.approx(math.pi * diameter**2 / 4, rel=0.01)


def test_a_profile_keeps_the_light_within_its_reach():
    # ∫ R₀ 2πr dr = πp²/4, whatever the reach: the first term of Dini's series alone carries it.
    radii = np.linspace(0, 120, 6001)
    even, _ = radial_profile(radii, 30.0, Optics(f_number=16), reach_um=120.0)
    assert np.trapezoid(even * 2 * math.pi * radii, radii) == pytest.approx(math.pi * 225, rel=1e-5)


def test_square_pixels_show_in_the_fourfold_part(monkeypatch):
    # Along the sides and along the diagonal the exact stamp differs at equal radius; R₀ alone would not.
    coarse = Optics(f_number=32, filter_distance_mm=0.5, pixel_um=9)
    even, fourfold = radial_profile(np.array([18.0, 18.0 * math.sqrt(2)]), 20.0, coarse, reach_um=200.0)
    monkeypatch.setattr(shadow, "stamp_size", lambda p, o: 61)
    exact = 1 - stamp(20.0, coarse)
    middle = exact.shape[-1] // 2
    sides, diagonal = exact[:, middle, middle + 2], exact[:, middle + 2, middle + 2]
    assert even[:, 0] + fourfold[:, 0] == pytest.approx(sides, abs=1e-4)
    assert even[:, 1] - fourfold[:, 1] == pytest.approx(diagonal, abs=1e-4)
    assert np.abs(fourfold).max() > 1e-3


def test_drawing_multiplies_the_light_by_every_shadow():
    table = ShadowTable(Optics(f_number=16), smallest_um=10, largest_um=60)
    light = np.full((80, 100, 3), 0.5, np.float32)
    table.draw(light, [20.0, 40.0], [30.2, 33.9], [40.6, 41.1])
    expected = np.full((80, 100, 3), 0.5)
    for diameter, x, y in ((20.0, 30.2, 40.6), (40.0, 33.9, 41.1)):
        one = cast(diameter, table.optics, x=x, y=y)
        half = one.transmission.shape[-1] // 2
        rows, columns = slice(one.row - half, one.row + half + 1), slice(one.column - half, one.column + half + 1)
        expected[rows, columns] *= np.moveaxis(one.transmission, 0, -1)
    assert np.abs(light - expected).max() < 1.5e-3


def test_shadows_beyond_the_rim_are_cut_and_far_ones_left_out():
    table = ShadowTable(Optics(f_number=16), smallest_um=10, largest_um=60)
    large = np.ones((120, 120, 3), np.float32)
    table.draw(large, [30.0], [40.3], [41.2])
    small = np.ones((30, 20, 3), np.float32)
    table.draw(small, [30.0, 30.0, 30.0], [0.3, -400.0, 900.0], [1.2, 5.0, 900.0])
    # The same place in both frames up to a whole number of pixels, hence up to rounding of the fraction.
    assert small == pytest.approx(large[40:70, 40:60], abs=1e-6)


def test_neither_order_nor_process_changes_a_bit():
    code = (
        "import hashlib, numpy as np; from moteyard.generators.optics import Optics; "
        "from moteyard.generators.shadow_table import ShadowTable; "
        "t = ShadowTable(Optics(f_number=16), smallest_um=10, largest_um=60); "
        "f = np.ones((90, 90, 3), np.float32); t.draw(f, [25.0, 12.0], [30.3, 60.1], [31.7, 60.2]); "
        "print(hashlib.sha256(f.tobytes()).hexdigest())"
    )
    threads = ({**os.environ, "OPENBLAS_NUM_THREADS": count} for count in ("1", "2"))
    digests = {subprocess.check_output([sys.executable, "-c", code], env=env, text=True) for env in threads}
    assert len(digests) == 1
    used = ShadowTable(Optics(f_number=16), smallest_um=10, largest_um=60)
    used.cast(50.0, 3.0, 3.0)
    fresh = ShadowTable(Optics(f_number=16), smallest_um=10, largest_um=60)
    assert np.array_equal(used.cast(25.0, 7.3, 8.1).transmission, fresh.cast(25.0, 7.3, 8.1).transmission)


def test_what_a_table_does_not_hold_is_refused():
    table = ShadowTable(Optics(), smallest_um=10, largest_um=60)
    with pytest.raises(ValueError, match=r"holds grains of 10–60 µm, not 61\.0"):
        table.cast(61.0, 0.0, 0.0)
    with pytest.raises(ValueError, match=r"round pupil, not 5 blades; use shadow\.cast"):
        ShadowTable(Optics(blades=5))
    with pytest.raises(ValueError, match="smallest_um < largest_um, not 60 and 10"):
        ShadowTable(Optics(), smallest_um=60, largest_um=10)
