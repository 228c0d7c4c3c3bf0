"""Apertures and places, against arithmetic that anyone can redo."""

import pytest

from moteyard.generators.optics import Optics, exact_f_number, working_f_number


@pytest.mark.parametrize(("marked", "power"), [(1.4, 1), (2, 2), (2.8, 3), (5.6, 5), (8, 6), (11, 7), (22, 9)])
def test_full_stops_are_powers_of_root_two(marked, power):
    assert exact_f_number(marked) == pytest.approx(2 ** (power / 2), rel=1e-12)


def test_an_unmarked_value_is_itself():
    assert exact_f_number(9.37) == 9.37


def test_every_marking_is_near_what_it_stands_for():
    for marked in (1, 1.1, 1.2, 1.8, 2.2, 2.5, 3.2, 3.5, 4.5, 5, 6.3, 7.1, 9, 10, 13, 14, 18, 20, 25, 29, 32, 45, 64):
        assert exact_f_number(marked) == pytest.approx(marked, rel=0.05)


def test_working_f_number_at_life_size():
    assert working_f_number(8, magnification=1.0) == 16


def test_shift_by_the_exit_pupil():
    # x = x0/(1 − d/L): at 20 mm, d 1 mm and L 60 mm the shift is 20/59 mm = 0.339 mm, 67.8 pixels of 5 µm.
    optics = Optics(filter_distance_mm=1, exit_pupil_mm=60, pixel_um=5)
    assert (optics.magnification - 1) * 20 == pytest.approx(20 / 59)


def test_blur_is_distance_over_exact_f_number():
    assert Optics(f_number=11, filter_distance_mm=1).blur_um == pytest.approx(1000 / 2**3.5)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"f_number": 0}, "f_number must be a positive number, not 0"),
        ({"pixel_um": float("nan")}, "pixel_um must be a positive number, not nan"),
        ({"blades": 2}, r"blades must be 0 \(round\) or at least 3, not 2"),
        ({"filter_distance_mm": 70}, "exit_pupil_mm .60.0. must exceed filter_distance_mm"),
    ],
)
def test_impossible_optics_are_refused(fields, message):
    with pytest.raises(ValueError, match=message):
        Optics(**fields)
