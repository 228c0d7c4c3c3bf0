"""The wave-optics disk against textbook values and a general-purpose optics library."""

import math
import warnings

import numpy as np
import pytest
from scipy.special import fresnel, j0, j1

from moteyard.generators.bands import RGB_BANDS, Band
from moteyard.generators.disk import (
    disk_ambiguity,
    geometric_depth,
    lens_area,
    radial_depth,
    shadow_spectrum,
)
from moteyard.generators.jinc_table import tabled_jinc
from moteyard.generators.propagate import propagate

GREEN_LINE = Band(0.55)


def grid(samples, pitch):
    axis = (np.arange(samples) - samples // 2) * pitch
    return np.meshgrid(axis, axis)


def soft_disk(samples, pitch, radius):
    """Amplitude stopped by a disk: the covered share of each sample, so that the field's integral is right."""
    x, y = grid(samples, pitch)
    return np.clip((radius - np.hypot(x, y)) / pitch + 0.5, 0, 1).astype(complex)


# Knife edge: I(w) = ½[(C(w) + ½)² + (S(w) + ½)²], w = x·√(2/λd); standard optics texts. The table's values are
# from memory, the integrals are scipy's.
@pytest.mark.parametrize(
    ("w", "intensity"), [(0, 0.25), (1.21720, 1.37044), (1.87252, 0.77825), (2.34449, 1.19927), (-1, 0.04108)]
)
def test_knife_edge_against_fresnel_integrals(w, intensity):
    s, c = fresnel(w)
    assert 0.5 * ((c + 0.5) ** 2 + (s + 0.5) ** 2) == pytest.approx(intensity, abs=1e-5)
    pitch, wavelength, distance, samples = 0.5, 0.55, 1000.0, 1 << 15
    x = (np.arange(samples) - samples // 2) * pitch
    # A wide slit that fades out far away stands for the half-plane; only its sharp edge at 0 is near.
    open_side = np.clip(x / pitch + 0.5, 0, 1)
    fade = np.cos(np.clip((x - 2000) / 4000, 0, 1) * np.pi / 2) ** 2
    field = (np.sqrt(open_side) * fade)[None, :].astype(complex)
    flown = propagate(field, pitch_um=pitch, distance_um=distance, wavelength_um=wavelength)[0]
    place = w * math.sqrt(wavelength * distance / 2)
    assert np.interp(place, x, np.abs(flown) ** 2) == pytest.approx(intensity, abs=6e-3)


# Lommel: at the geometric edge of an opaque disk in a plane wave, I = ¼[1 + 2 J₀(u) cos u + J₀²(u)],
# u = 2πa²/λd (Born & Wolf, Principles of Optics, 8.8; from memory, verified numerically).
@pytest.mark.parametrize(
    ("diameter", "distance", "value"),
    [(30.0, 1000.0, 0.2865166), (20.0, 1000.0, 0.5175604), (50.0, 700.0, 0.3547258)],
)
def test_lommel_edge_value(diameter, distance, value):
    u = 2 * math.pi * (diameter / 2) ** 2 / (0.55 * distance)
    assert 0.25 * (1 + 2 * j0(u) * math.cos(u) + j0(u) ** 2) == pytest.approx(value, abs=1e-7)
    pitch, samples = 0.5, 2048
    flown = 1 - propagate(
        soft_disk(samples, pitch, diameter / 2), pitch_um=pitch, distance_um=distance, wavelength_um=0.55
    )
    x, _ = grid(samples, pitch)
    row = np.abs(flown[samples // 2]) ** 2
    assert np.interp(diameter / 2, x[0], row) == pytest.approx(value, abs=5e-3)


def test_poisson_spot_is_as_bright_as_no_disk():
    # On axis behind an opaque disk the plane wave is restored to 1 (Fresnel; every optics text).
    flown = 1 - propagate(soft_disk(2048, 0.5, 15.0), pitch_um=0.5, distance_um=1000.0, wavelength_um=0.55)
    assert abs(flown[1024, 1024]) ** 2 == pytest.approx(1.0, abs=0.01)


def test_circular_aperture_on_axis():
    # 4 sin²(πa²/2λd) = 1.4365349 for a 15 µm, d 1000 µm, λ 0.55 µm (textbook, from memory).
    opening = soft_disk(2048, 0.5, 15.0)
    flown = propagate(opening, pitch_um=0.5, distance_um=1000.0, wavelength_um=0.55)
    assert 4 * math.sin(math.pi * 225 / 1100) ** 2 == pytest.approx(1.4365349, abs=1e-7)
    assert abs(flown[1024, 1024]) ** 2 == pytest.approx(1.4365349, abs=0.01)


# Central depth, one wavelength, round pupil, no pixel; computed elsewhere by two methods to 1e-6.
@pytest.mark.parametrize(
    ("diameter", "f_number", "depth"),
    [(10, 2**4.5, 0.163598), (30, 16, 0.353596), (30, 8, 0.063558), (100, 16, 0.943224)],
)
def test_central_depth(diameter, f_number, depth):
    value = radial_depth(
        np.array([0.0]), diameter_um=diameter, distance_um=1000, blur_um=1000 / f_number, band=GREEN_LINE
    )
    assert value[0] == pytest.approx(depth, abs=5e-6)


@pytest.mark.parametrize("diameter", [5.0, 20.0, 80.0])
@pytest.mark.parametrize("distance", [500.0, 1000.0, 3000.0])
def test_light_lost_is_what_the_disk_stops(diameter, distance):
    # Energy: S(0) = πp²/4 whatever the wavelength and distance.
    value = shadow_spectrum(np.zeros(1), diameter_um=diameter, distance_um=distance, band=RGB_BANDS[1])
    assert value[0] == pytest.approx(math.pi * diameter**2 / 4, rel=1e-9)


def test_small_grain_limit():
    # p → 0: the central depth over the geometric one tends to 2[1 − cos(πd/4λN²)], derived from the model.
    f_number, distance = 11.3137085, 1000.0
    ratio = (
        radial_depth(
            np.array([0.0]), diameter_um=1.0, distance_um=distance, blur_um=distance / f_number, band=GREEN_LINE
        )[0]
        / (1.0 * f_number / distance) ** 2
    )
    limit = 2 * (1 - math.cos(math.pi * distance / (4 * 0.55 * f_number**2)))
    assert ratio == pytest.approx(limit, rel=0.01)


def test_deep_umbra_keeps_a_bright_centre():
    # On axis the residual light tends to J₀² + J₁² at πp/2λN: the Arago spot of an extended source. The limit
    # is that of a shadow much wider than the pupil's image.
    gaps = []
    for diameter in (100.0, 200.0, 400.0):
        u = math.pi * diameter / (2 * 0.55 * 32)
        depth = radial_depth(
            np.array([0.0]), diameter_um=diameter, distance_um=1000, blur_um=1000 / 32, band=GREEN_LINE
        )
        gaps.append(abs((1 - depth[0]) / (j0(u) ** 2 + j1(u) ** 2) - 1))
    assert gaps[0] > gaps[1] > gaps[2]
    assert gaps[2] < 0.01


@pytest.mark.parametrize("diameter", [20.0, 60.0, 140.0])
def test_short_waves_give_geometry(diameter):
    radius = np.linspace(0, 120, 25)
    blur = 80.0
    wave = radial_depth(radius, diameter_um=diameter, distance_um=1000, blur_um=blur, band=Band(0.02))
    rays = geometric_depth(radius, diameter_um=diameter, blur_um=blur)
    assert np.abs(wave - rays).max() < 0.02
    long = radial_depth(radius, diameter_um=diameter, distance_um=1000, blur_um=blur, band=GREEN_LINE)
    assert np.abs(long - rays).max() > 2 * np.abs(wave - rays).max()


def test_the_ambiguity_vanishes_beyond_its_edge():
    f = np.array([20.0 / 550.0 * 1.001])
    assert disk_ambiguity(f, 20.0, 1000.0, 0.55)[0] == 0


def test_lens_area_of_two_unit_disks():
    # 2π/3 − √3/2 at unit separation, elementary geometry.
    assert lens_area(np.array([1.0]), 1, 1)[0] == pytest.approx(1.2283697, abs=1e-7)
    assert lens_area(np.array([0.0, 5.0]), 2, 1) == pytest.approx([math.pi, 0.0])


def test_flat_floor_of_a_small_grain_by_rays():
    # p < d/N: floor (pN/d)² out to (d/N − p)/2, nothing beyond (d/N + p)/2.
    depth = geometric_depth(np.array([0.0, 29.9, 50.1]), diameter_um=20, blur_um=80)
    assert depth == pytest.approx([0.0625, 0.0625, 0.0])


@pytest.mark.parametrize("band", RGB_BANDS)
def test_band_average_of_a_cosine_against_quadrature(band):
    rate = np.array([0.0, 3.0, math.pi / band.half_width_um, 200.0])
    nodes, weights = band.nodes(200)
    assert band.mean_cosine(rate) == pytest.approx(np.cos(np.outer(rate, nodes)) @ weights, abs=3e-8)


def test_against_a_general_optics_library():
    """The same disk flown by LightPipes (BSD-3), a general wave-optics library: plane wave, opaque disk."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from LightPipes import Begin, CircScreen, Forvard, Intensity, um

    samples, size = 1024, 512.0
    pitch = size / samples
    beam = CircScreen(Begin(size * um, 0.55 * um, samples), 15.1 * um)
    reference = Intensity(0, Forvard(beam, 1000 * um))
    x, y = grid(samples, pitch)
    stopped = (np.hypot(x, y) <= 15.1).astype(complex)
    flown = np.abs(1 - propagate(stopped, pitch_um=pitch, distance_um=1000.0, wavelength_um=0.55)) ** 2
    near = slice(samples // 2 - 200, samples // 2 + 200)
    assert np.abs(flown - reference)[near, near].max() < 1e-6


def test_the_table_of_jinc_against_scipys_bessel_function():
    x = np.concatenate([[0.0], np.random.default_rng(3).uniform(1e-9, 511.9, 20_000)])
    exact = np.concatenate([[1.0], 2 * j1(x[1:]) / x[1:]])
    assert np.abs(tabled_jinc(x) - exact).max() < 2e-11
    far = np.array([3.0, 511.99, 512.0, 4000.0])
    assert tabled_jinc(far) == pytest.approx(2 * j1(far) / far, abs=1e-14)
    table = x[:12].reshape(3, 4)
    np.testing.assert_array_equal(tabled_jinc(table), tabled_jinc(x[:12]).reshape(3, 4))
