"""Everything that lies on a filter: depths, energy, laws of scale, and another library's propagation."""

import math
import warnings

import numpy as np
import pytest
from scipy import fft
from scipy.signal import fftconvolve
from scipy.special import fresnel

from moteyard.generators.band_shadow import band_stamp
from moteyard.generators.bands import RGB_BANDS, Band
from moteyard.generators.droplet import Droplet
from moteyard.generators.fibre import Fibre
from moteyard.generators.flake import Flake
from moteyard.generators.irregular import IrregularGrain
from moteyard.generators.mask import Canvas, canvas_for, mask_shadow, width_across
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Grain
from moteyard.generators.propagate import mask_stamp
from moteyard.generators.ring import Ring
from moteyard.generators.scratch import Scratch
from moteyard.generators.shadow import cast, odd_fast_length

SMALL = Optics(f_number=16, pixel_um=5)
THINGS = [
    IrregularGrain(0, 0, 30, aspect=1.6, roughness=0.15, angle_deg=20, shape_seed=3),
    Fibre(0, 0, 15, 400, curl_rad=1.2, angle_deg=35, shape_seed=2),
    Flake(0, 0, 80, 0.7, 0.2, shape_seed=4),
    Ring(0, 0, 90, 6, 0.5, irregularity=0.06, film_path_um=0.05, shape_seed=5),
    Droplet(0, 0, 40, 6),
    Scratch(0, 0, 8, 300, 0.5, 0.3, angle_deg=70),
]


def shadow(thing, optics=SMALL):
    return thing.shadow(optics, x=40.3, y=39.8)


def middle(transmission, half):
    row, column = (side // 2 for side in transmission.shape[1:])
    return transmission[:, row - half : row + half + 1, column - half : column + half + 1]


@pytest.mark.parametrize("thing", THINGS, ids=lambda thing: thing.kind)
@pytest.mark.parametrize("f_number", [4, 11, 32])
def test_what_is_not_stopped_is_only_moved(thing, f_number):
    optics = Optics(f_number=f_number)
    known = {
        "grain": math.pi * 15**2,
        "flake": math.pi * 40**2 * (1 - 0.7**2),
        "droplet": 0.0,
        "scratch": 8 * 300 * 0.5,
        # Pappus: the area of a band is width times length of its middle line.
        "fibre": 15 * 400,
    }
    cast_shadow = mask_shadow(thing, optics, x=40.3, y=39.8)
    each_band = (1 - cast_shadow.transmission).sum(axis=(1, 2)) * optics.pixel_um**2
    assert np.ptp(each_band) < 1e-6 * np.abs(each_band).max() + 1e-3
    if thing.kind in known:
        assert each_band == pytest.approx(known[thing.kind], rel=2e-4, abs=1e-3)


def test_a_regular_ring_stops_its_share_of_its_area():
    ring = Ring(0, 0, 100, 8, 0.5)
    assert shadow(ring).loss_px2 * 25 == pytest.approx(0.5 * 2 * math.pi * 100 * 8, rel=1e-3)


@pytest.mark.parametrize("f_number", [8, 16, 32])
@pytest.mark.parametrize("diameter", [10, 20, 30])
def test_a_round_outline_is_the_analytic_disk(diameter, f_number):
    optics = Optics(f_number=f_number)
    drawn = IrregularGrain(0, 0, diameter, roughness=0).shadow(optics, x=10.3, y=10.2)
    exact = cast(diameter, optics, x=10.3, y=10.2)
    half = min(drawn.transmission.shape[1], exact.transmission.shape[1]) // 2
    assert np.abs(middle(drawn.transmission, half) - middle(exact.transmission, half)).max() < 2.5e-3
    assert drawn.fwhm_px == pytest.approx(exact.fwhm_px, rel=0.05)


def disk_of(optics, pitch):
    """The projected pupil on a grid, by counting."""
    count = int(optics.blur_um / pitch) + 4
    count += 1 - count % 2
    axis = (np.arange(count * 9) - count * 9 // 2) * (pitch / 9)
    inside = (axis[:, None] ** 2 + axis[None, :] ** 2 <= (optics.blur_um / 2) ** 2).astype(float)
    disk = inside.reshape(count, 9, count, 9).mean(axis=(1, 3))
    return disk / disk.sum()


@pytest.mark.parametrize("thing", THINGS, ids=lambda thing: thing.kind)
def test_the_whole_path_against_another_library(thing):
    """Prysm (MIT) flies the finely drawn mask; pupil and pixel are sums in space, not products of spectra."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from prysm.propagation import angular_spectrum
    coarse = canvas_for(thing, SMALL, (0.3, -0.2))
    side = max(coarse.height_px, coarse.width_px) + 40  # its transfer function wants a square
    fine = Canvas(side, side, 5, 5.0, (0.3, -0.2))
    stopped = thing.draw(fine, 0.55).stopped
    flown = angular_spectrum(stopped, wvl=0.55, dx=1e-3, z=1.0, Q=1)
    intensity = np.abs(1 - flown) ** 2
    blurred = 1 - fftconvolve(1 - intensity, disk_of(SMALL, 1.0), mode="same")
    pixels = blurred.reshape(side, 5, side, 5).mean(axis=(1, 3))
    row, column = (side - coarse.height_px) // 2, (side - coarse.width_px) // 2
    pixels = pixels[row : row + coarse.height_px, column : column + coarse.width_px]
    band = Band(0.55)
    own = mask_stamp([[thing.draw(coarse, 0.55)]], SMALL, per_pixel=coarse.per_pixel, bands=(band,))[0]
    assert np.abs(pixels - own).max() < 4e-3


def test_a_fibre_by_rays_and_by_waves():
    # Strip of width w under a round pupil: (2/π)[asin x + x√(1−x²)], x = wN/d; for w 15, f/16, 1 mm it is 0.302618.
    x = 15 * 16 / 1000
    assert 2 / math.pi * (math.asin(x) + x * math.sqrt(1 - x * x)) == pytest.approx(0.302618, abs=1e-6)
    # Waves deepen it to about 0.36 with bright flanks of 4–5 % (Fresnel integrals, as in the test below).
    transmission = shadow(Fibre(0, 0, 15, 900)).transmission[1]
    across = transmission[:, transmission.shape[1] // 2]
    assert 1 - across.min() == pytest.approx(0.363, abs=0.003)
    assert across.max() - 1 == pytest.approx(0.045, abs=0.01)


def strip_by_fresnel_integrals(width_um, optics, wavelength_um, places_um):
    """1 − T of an endless straight strip: SciPy's Fresnel integrals, then pupil and pixel summed in space."""
    step, reach = 0.05, 400 + 0.7 * optics.blur_um
    x = np.arange(-reach, reach + step / 2, step)
    scale = math.sqrt(2 / (wavelength_um * optics.distance_um))
    (s1, c1), (s0, c0) = (fresnel((x + side) * scale) for side in (width_um / 2, -width_um / 2))
    depth = 1 - np.abs(1 - (c1 - c0 + 1j * (s1 - s0)) / (1 + 1j)) ** 2
    radius = optics.blur_um / 2
    u = np.arange(-math.ceil(radius / step), math.ceil(radius / step) + 1) * step
    chord = np.sqrt(np.maximum(radius**2 - u**2, 0))
    box = np.ones(round(optics.pixel_um / step) | 1)
    blurred = fftconvolve(fftconvolve(depth, chord / chord.sum(), mode="same"), box / box.sum(), mode="same")
    return np.interp(places_um, x, blurred)


@pytest.mark.parametrize("distance_mm", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("f_number", [2.8, 5.6, 8, 11, 16, 22, 32])
@pytest.mark.parametrize("width", [8, 15, 30])
def test_a_straight_fibre_against_fresnel_integrals(width, f_number, distance_mm):
    optics = Optics(f_number=f_number, filter_distance_mm=distance_mm)
    cast_shadow = Fibre(0, 0, width, 800 + 3 * optics.blur_um).shadow(optics, x=70.0, y=70.3)
    lines = 1 - cast_shadow.transmission[:, :, cast_shadow.transmission.shape[2] // 2]
    places = (np.arange(lines.shape[1]) - lines.shape[1] // 2 - 0.3) * optics.pixel_um
    for line, band in zip(lines, RGB_BANDS, strict=True):
        assert np.abs(line - strip_by_fresnel_integrals(width, optics, band.centre_um, places)).max() < 1e-3


@pytest.mark.parametrize(("distance_mm", "f_number"), [(0.5, 32), (1.0, 16), (2.0, 32)])
@pytest.mark.parametrize(
    "fibre",
    [
        Fibre(0, 0, 8, 300, curl_rad=2.0, angle_deg=70, shape_seed=1),
        Fibre(0, 0, 15, 400, curl_rad=1.2, angle_deg=20, shape_seed=2),
        Fibre(0, 0, 30, 300, curl_rad=0.8, angle_deg=45, shape_seed=6),
    ],
    ids=lambda fibre: f"{fibre.width_um}",
)
def test_a_bent_fibre_against_another_library(fibre, f_number, distance_mm):
    """Prysm flies a mask so fine and in so wide a field that light thrown 300 µm aside is still there.

    Its samples are means over squares, which would dim that light: the square is divided out of their spectrum.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from prysm.propagation import angular_spectrum
    optics = Optics(f_number=f_number, filter_distance_mm=distance_mm)
    own = fibre.shadow(optics, x=40.3, y=39.8).transmission[1]
    per_pixel = 13 if distance_mm < 1 else 9
    side = odd_fast_length(max(own.shape) + 80)
    fine = Canvas(side, side, per_pixel, 6.0, (0.3, -0.2))
    wavelength = RGB_BANDS[1].centre_um
    sinc = np.sinc(np.fft.fftfreq(side * per_pixel))
    stopped = fft.ifft2(fft.fft2(fibre.draw(fine, wavelength).stopped) / np.outer(sinc, sinc))
    flown = angular_spectrum(stopped, wvl=wavelength, dx=1e-3 * fine.pitch_um, z=distance_mm, Q=1)
    blurred = 1 - fftconvolve(1 - np.abs(1 - flown) ** 2, disk_of(optics, fine.pitch_um), mode="same")
    pixels = blurred.reshape(side, per_pixel, side, per_pixel).mean(axis=(1, 3))
    row, column = ((side - length) // 2 for length in own.shape)
    assert np.abs(pixels[row : row + own.shape[0], column : column + own.shape[1]] - own).max() < 1e-3


@pytest.mark.parametrize("f_number", [4, 11, 32])
def test_what_a_fibre_does_not_stop_is_moved_far_aside(f_number):
    # An edge throws λd/(4π²x²) of light a µm to each side (stationary phase), so that beyond x a band of two edges
    # throws λd/(π²x) for each µm of its length: that much is not in the stamp. Blurred by a pupil of radius r it is the
    # disk's mean of 1/(x + u), which is 2(1 − √(1 − q²))/q²/x with q = r/x.
    optics = Optics(f_number=f_number)
    cast_shadow = Fibre(0, 0, 15, 3000).shadow(optics, x=40.3, y=39.8)
    rim_um = cast_shadow.transmission.shape[1] / 2 * optics.pixel_um
    lost = (1 - cast_shadow.transmission).sum(axis=(1, 2)) * optics.pixel_um**2
    q = optics.blur_um / 2 / rim_um
    mean = 2 * (1 - math.sqrt(1 - q * q)) / q**2 / rim_um
    beyond = np.array([band.centre_um for band in RGB_BANDS]) * optics.distance_um / math.pi**2 * mean * 3000
    assert lost - 15 * 3000 == pytest.approx(beyond, rel=0.15)


def test_a_fibre_that_crosses_itself_is_drawn_the_general_way():
    loop = Fibre(0, 0, 10, 500, curl_rad=6.0, shape_seed=0)
    assert band_stamp(loop.centreline(), 10, SMALL) is None
    cast_shadow = shadow(loop)
    assert cast_shadow.transmission.min() > 0.2
    # The ends lie outside the loops: what is covered twice counts once.
    assert cast_shadow.loss_px2 * 25 < 0.99 * 10 * 500


def test_a_fibre_is_linear_in_the_f_number_and_a_grain_square():
    depths = {
        kind: [1 - make().shadow(Optics(f_number=n), x=50, y=50).transmission[1].min() for n in (2.8, 5.6)]
        for kind, make in (("fibre", lambda: Fibre(0, 0, 12, 1500)), ("grain", lambda: Grain(0, 0, 30)))
    }
    ratio = {kind: deep / shallow for kind, (shallow, deep) in depths.items()}
    assert ratio["fibre"] == pytest.approx(2, rel=0.08)
    assert ratio["grain"] == pytest.approx(4, rel=0.08)


def test_a_flat_flake():
    # p 100 µm, t₀ 0.7 at f/16, 1 mm: 0.52 (computed beforehand by another program); rays say 1 − 0.49.
    assert shadow(Flake(0, 0, 100, 0.7, aspect=1, roughness=0)).peak_depth == pytest.approx(0.52, abs=0.01)


def test_a_ring_is_a_dark_line_round_a_clear_centre():
    # r 100, w 8, T 0.5: nine per cent dark, clear inside (computed beforehand by another program).
    cast_shadow = shadow(Ring(0, 0, 100, 8, 0.5))
    assert cast_shadow.peak_depth == pytest.approx(0.09, abs=0.005)
    row, column = (side // 2 for side in cast_shadow.depth.shape)
    assert abs(cast_shadow.depth[row, column]) < 0.01
    ring_px = np.hypot(*(np.array(np.unravel_index(np.argmax(cast_shadow.depth), cast_shadow.depth.shape)) - row))
    assert ring_px * 5 == pytest.approx(100, abs=10)


def test_droplets_focus_light_until_they_are_steep():
    # a 50 µm, f/16, 1 mm: 2–10° give a bright core of +1.02…+1.58 with a dark rim of 0.18–0.49; at 15° the core is
    # dark and the rim bright (computed beforehand by another program with a like index).
    for angle in (2, 5, 10):
        depth = shadow(Droplet(0, 0, 50, angle)).depth
        centre = depth[depth.shape[0] // 2, depth.shape[1] // 2]
        assert -1.65 < centre < -0.93
        assert 0.15 < depth.max() < 0.52
    steep = shadow(Droplet(0, 0, 50, 15)).depth
    assert steep[steep.shape[0] // 2, steep.shape[1] // 2] > 0.3
    assert 0.05 < -steep.min() < 0.15


def test_a_droplet_without_power_casts_nothing():
    assert np.abs(shadow(Droplet(0, 0, 40, 5, index=1.0)).depth).max() < 0.02  # its dispersion is left


def test_a_groove_brightens_the_flanks_of_a_scratch():
    bright = [-shadow(Scratch(0, 0, 10, 400, 0.6, depth)).depth.min() for depth in (0.0, 0.2, 0.4)]
    assert bright[0] < bright[1] < bright[2]


def test_kinds_do_not_turn_with_the_grid():
    straight = shadow(Fibre(0, 0, 15, 400, angle_deg=0))
    turned = shadow(Fibre(0, 0, 15, 400, angle_deg=90))
    assert straight.depth.shape == turned.depth.shape[::-1]
    for angle in (20, 45):
        assert shadow(Fibre(0, 0, 15, 400, angle_deg=angle)).fwhm_px == pytest.approx(straight.fwhm_px, rel=0.03)


def test_a_finer_grid_changes_little():
    for thing in THINGS:
        coarse = canvas_for(thing, Optics(f_number=16))
        fine = Canvas(coarse.height_px, coarse.width_px, 9, coarse.pixel_um)
        both = [
            mask_stamp([[thing.draw(c, b.centre_um)] for b in RGB_BANDS], Optics(f_number=16), per_pixel=c.per_pixel)
            for c in (coarse, fine)
        ]
        assert np.abs(both[0] - both[1]).max() < 4e-3, thing


def test_the_width_of_a_line_and_of_a_donut():
    axis = np.arange(-40.0, 41.0)
    line = np.exp(-(axis[None, :] ** 2) / (2 * 4.0**2) - axis[:, None] ** 2 / 1e4)
    assert width_across(line, solid=False) == pytest.approx(2.3548 * 4, rel=0.01)
    radius = np.hypot(axis[:, None], axis[None, :])
    donut = np.exp(-((radius - 20) ** 2) / (2 * 3.0**2))
    assert width_across(donut, solid=False) == pytest.approx(2.3548 * 3, rel=0.03)
    assert width_across(donut, solid=True) == pytest.approx(40 + 2.3548 * 3, rel=0.01)
    assert math.isnan(width_across(np.zeros((9, 9)), solid=True))


def test_extents():
    assert Fibre(0, 0, 15, 400).extent_um == pytest.approx(math.hypot(400, 15))
    assert Fibre(0, 0, 15, 400, curl_rad=2.0, shape_seed=1).extent_um < 399
    assert Ring(0, 0, 100, 8).extent_um == pytest.approx(208)
    assert Scratch(0, 0, 10, 300).extent_um == pytest.approx(math.hypot(300, 10))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: IrregularGrain(0, 0, -1), "IrregularGrain.diameter_um must be a positive number, not -1"),
        (lambda: IrregularGrain(0, 0, 10, aspect=0.5), "IrregularGrain.aspect must be from 1 to 9, not 0.5"),
        (lambda: Fibre(0, 0, 20, 10), "Fibre.length_um must exceed width_um"),
        (lambda: Ring(0, 0, 5, 8), "Ring.width_um must not exceed radius_um"),
        (lambda: Flake(0, 0, 10, 1.5), "Flake.amplitude must be from 0 to 1, not 1.5"),
        (lambda: Droplet(0, 0, 10, 90), "Droplet.contact_angle_deg must be from 0.1 to 45, not 90"),
        (lambda: Scratch(0, 0, 0, 10), "Scratch.width_um must be a positive number, not 0"),
    ],
)
def test_impossible_things_are_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make()
