"""What every registered repair must keep, and what each promises."""

import cv2
import numpy as np
import pytest
from scipy.stats import norm
from skimage.restoration import inpaint_biharmonic

from moteyard.bench.repairs import LEFT, RepairError, load, names, tile_fit
from moteyard.bench.repairs.contract import Known
from moteyard.bench.repairs.division import LEAST_TRANSMISSION, divided, fitted_distance_mm
from moteyard.bench.repairs.exemplar import exemplar_fill
from moteyard.bench.repairs.grain_prior import Prior, median_size
from moteyard.bench.repairs.shadow_bank import SIZES_UM, bank_of, tile_spectra
from moteyard.bench.repairs.shadow_doubts import fainter, glowing
from moteyard.bench.repairs.shadow_fit import fit_shadows
from moteyard.detectors import Photograph, Spots
from moteyard.detectors.whitening import TILE
from moteyard.generators.optics import Optics
from moteyard.generators.shadow import cast
from moteyard.generators.transfer import encode

FILLS = ("telea", "navier-stokes", "biharmonic")


def light(shape=(220, 260), *, noise=0.005, seed=1):
    ground = np.full((*shape, 3), 0.4, np.float32)
    return ground * (1 + np.random.default_rng(seed).normal(0, noise, (*shape, 1))).astype(np.float32)


def shade(linear, diameter_um, optics, x, y):
    shadow = cast(diameter_um, optics, x=x, y=y)
    half = shadow.transmission.shape[1] // 2
    here = slice(shadow.row - half, shadow.row + half + 1), slice(shadow.column - half, shadow.column + half + 1)
    linear[here] *= np.moveaxis(shadow.transmission, 0, 2).astype(np.float32)
    return shadow


def photograph(linear, *, bits=8, encoding="srgb", f_number=16.0):
    pixels = encode(linear, bits=bits, encoding=encoding)
    pixels.flags.writeable = False
    return Photograph(pixels, f_number=f_number, pixel_um=6.0, encoding=encoding)


def spot(x, y, width=11.0):
    return Spots([x], [y], [width], [1])


@pytest.fixture(params=names())
def repair(request):
    return load(request.param)


def test_the_five_are_registered():
    assert names() == ["biharmonic", "exemplar", "flat-field", "navier-stokes", "telea"]


def test_an_unknown_name():
    with pytest.raises(RepairError, match=r"unknown repair 'telia' \(did you mean 'telea'\?\)"):
        load("telia")


def test_a_detector_is_no_repair():
    with pytest.raises(RepairError, match="is no repair: it lacks repair"):
        load("tests/examples/darkest.py:Darkest")


def test_no_spot_no_change(repair):
    shot = photograph(light())
    done = repair.repair(shot, Spots())
    np.testing.assert_array_equal(done.pixels, shot.pixels)
    assert not done.touched.any()
    assert done.spots == ()


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("encoding", ["srgb", "linear"])
def test_a_plain_shadow_goes(repair, bits, encoding):
    ground = light()
    clean = encode(ground, bits=bits, encoding=encoding)
    shade(ground, 33.0, Optics(f_number=16), 120.3, 99.6)
    shot = photograph(ground, bits=bits, encoding=encoding)
    before = shot.pixels.copy()
    done = repair.repair(shot, spot(120, 100), Known(filter_distance_mm=1.0))
    np.testing.assert_array_equal(shot.pixels, before)
    assert done.pixels.dtype == shot.pixels.dtype
    np.testing.assert_array_equal(done.touched, (done.pixels != shot.pixels).any(axis=2))
    core = slice(95, 106), slice(115, 126)
    error = np.abs(done.pixels[core].astype(float) - clean[core]).mean() / np.iinfo(clean.dtype).max
    assert error < 0.03 < np.abs(before[core].astype(float) - clean[core]).mean() / np.iinfo(clean.dtype).max
    far = np.hypot(*(np.indices(shot.shape) - np.array([100, 120])[:, None, None])) > 40
    assert not done.touched[far].any()


@pytest.mark.parametrize("place", [(0, 0), (259, 3), (1, 218), (258.4, 219.4)])
def test_in_a_corner(repair, place):
    done = repair.repair(photograph(light()), spot(*place), Known(filter_distance_mm=1.0))
    assert done.pixels.shape == (220, 260, 3)
    assert len(done.spots) == 1


@pytest.mark.parametrize("shape", [(9, 9), (12, 40), (64, 64)])
def test_in_a_small_picture(repair, shape):
    done = repair.repair(photograph(light(shape)), spot(4, 4, 20), Known(filter_distance_mm=1.0))
    assert done.pixels.shape == (*shape, 3)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("name", FILLS)
def test_a_fill_is_the_librarys_own_call(name, bits):
    """OpenCV and scikit-image, called on the whole picture."""
    texture = light(noise=0.1)
    shot = photograph(texture, bits=bits)
    hole = np.hypot(*(np.indices(shot.shape) - np.array([90.0, 130.0])[:, None, None])) <= 1.6 * 15 / 2
    top = np.iinfo(shot.pixels.dtype).max
    if name == "biharmonic":
        wanted = inpaint_biharmonic(shot.pixels / top, hole, channel_axis=-1)
        wanted = np.rint(np.clip(wanted, 0, 1) * top).astype(shot.pixels.dtype)
    else:
        method = {"telea": cv2.INPAINT_TELEA, "navier-stokes": cv2.INPAINT_NS}[name]
        bands = [shot.pixels] if bits == 8 else [np.ascontiguousarray(shot.pixels[..., n]) for n in range(3)]
        filled = [cv2.inpaint(band, hole.astype(np.uint8), 5, method) for band in bands]
        wanted = filled[0] if bits == 8 else np.stack(filled, axis=2)
    done = load(name).repair(shot, spot(130, 90, 15))
    np.testing.assert_array_equal(done.pixels, wanted)


def test_pieces_continue_stripes():
    """A periodic pattern has one continuation that fits everywhere: itself."""
    y, x = np.indices((90, 90))
    stripes = np.where((x + y) % 10 < 5, 60, 180).astype(np.uint8)
    codes = np.repeat(stripes[..., None], 3, axis=2)
    hole = np.hypot(x - 45, y - 45) <= 9
    np.testing.assert_array_equal(exemplar_fill(np.where(hole[..., None], np.uint8(0), codes), hole), codes)


def test_pieces_need_ground():
    with pytest.raises(ValueError, match="no piece of the picture lies wholly outside the hole"):
        exemplar_fill(np.zeros((20, 20, 3), np.uint8), np.ones((20, 20), bool))


@pytest.mark.parametrize("encoding", ["srgb", "linear"])
def test_division_undoes_a_shading_to_rounding(encoding):
    """S·T / T = S: what is left are the two roundings to codes, the first of them enlarged by 1/T."""
    y, x = np.indices((60, 60))
    transmission = 1 - 0.5 * np.exp(-((x - 30) ** 2 + (y - 30) ** 2) / (2 * 6.0**2))
    transmission = np.repeat(transmission[..., None], 3, axis=2).astype(np.float32)
    scene = light((60, 60), noise=0.1)
    clean = encode(scene, bits=16, encoding=encoding)
    shaded = encode(scene * transmission, bits=16, encoding=encoding)
    restored = divided(shaded, transmission, encoding=encoding)
    whole = np.abs(1 - transmission).max(axis=2) > 0.004
    assert np.abs(restored.astype(int) - clean)[whole].max() <= 2
    untouched = np.abs(1 - transmission).max(axis=2) < 0.0015
    np.testing.assert_array_equal(restored[untouched], shaded[untouched])


def test_no_light_is_filled_from_the_rim():
    y, x = np.indices((60, 60))
    dark = np.where(np.hypot(x - 30, y - 30) < 9, 0.02, 1.0).astype(np.float32)
    transmission = np.repeat(cv2.GaussianBlur(dark, (0, 0), 2)[..., None], 3, axis=2)
    assert transmission.min() < LEAST_TRANSMISSION / 4
    scene = light((60, 60), noise=0.002)
    restored = divided(encode(scene * transmission, bits=8, encoding="srgb"), transmission, encoding="srgb")
    assert np.abs(restored.astype(int) - encode(scene, bits=8, encoding="srgb")).max() <= 4


@pytest.mark.parametrize(("f_number", "diameter_um"), [(8, 52), (11, 33), (16, 33), (22, 18)])
def test_the_fit_finds_grain_and_place(f_number, diameter_um):
    ground, optics = light((320, 320)), Optics(f_number=f_number)
    shade(ground, diameter_um, optics, 150.3, 149.6)
    shot = photograph(ground, bits=16, encoding="linear", f_number=f_number)
    fits = fit_shadows(shot, spot(151, 149), optics=[optics], prior=Prior.none(1))
    assert fits.x[0] == pytest.approx(150.3, abs=0.15)
    assert fits.y[0] == pytest.approx(149.6, abs=0.15)
    assert fits.diameter_um[0] == pytest.approx(diameter_um, rel=0.025)
    assert abs(np.log(fits.diameter_um[0] / diameter_um)) < 3 * fits.size_error[0]
    assert fits.misfit[0] < 0.1
    assert fits.evidence[0] > 100


def test_the_error_bar_of_a_size_is_honest():
    """Of forty fits in white noise two in three lie within one standard deviation; binomial: 18 to 35 are 99.9 %."""
    optics, inside = Optics(f_number=16), 0
    for seed in range(40):
        ground = light((200, 200), noise=0.05, seed=seed)
        shade(ground, 30.0, optics, 100.2, 99.7)
        shot = photograph(ground, bits=16, encoding="linear")
        fits = fit_shadows(shot, spot(100, 100), optics=[optics])
        inside += abs(np.log(fits.diameter_um[0] / 30.0)) < fits.size_error[0]
    assert 18 <= inside <= 35


def test_bare_ground_is_left():
    done = load("flat-field").repair(photograph(light()), spot(100, 100), Known(filter_distance_mm=1.0))
    assert done.spots[0].how == LEFT
    assert not done.touched.any()


def test_a_bar_is_no_grain():
    ground = light()
    ground[98:103, 90:110] *= 0.5
    done = load("flat-field").repair(photograph(ground), spot(100, 100), Known(filter_distance_mm=1.0))
    assert done.spots[0].how == LEFT
    assert done.spots[0].note == "not the shadow of a round grain"


@pytest.mark.parametrize("distance_mm", [0.7, 1.0, 1.7])
def test_the_filter_distance_is_fitted(distance_mm):
    ground, optics = light((320, 420)), Optics(f_number=11, filter_distance_mm=distance_mm)
    places = [(90.2, 80.0), (210.5, 100.4), (330.0, 210.7), (120.9, 230.1)]
    for (x, y), size in zip(places, (25.0, 35.0, 45.0, 30.0), strict=True):
        shade(ground, size, optics, x, y)
    shot = photograph(ground, bits=16, encoding="linear", f_number=11.0)
    spots = Spots([x for x, _ in places], [y for _, y in places], [15] * 4, [4, 3, 2, 1])
    assert fitted_distance_mm(shot, spots) == pytest.approx(distance_mm, rel=0.2)


def test_a_known_size_is_held_on_rough_ground():
    ground = light(noise=0.4)
    optics = Optics(f_number=16)
    shade(ground, 40.0, optics, 120.3, 99.6)
    known = Known(filter_distance_mm=1.0, diameter_um=np.array([40.0]), diameter_error=0.02)
    done = load("flat-field").repair(photograph(ground, bits=16), spot(120, 100), known)
    assert done.spots[0].diameter_um == pytest.approx(40.0, rel=0.03)


def test_a_faint_dip_is_no_deep_shadow():
    """The amplitude that fits best by least squares, and ln of the likelihood ratio by normal densities (scipy)."""
    rng = np.random.default_rng(3)
    bank, sigma = bank_of(Optics(f_number=16, filter_distance_mm=1.0)), 0.02
    stamp = bank.stamps[14]
    tile, half = np.zeros((TILE, TILE)), len(stamp) // 2
    tile[TILE // 2 - half : TILE // 2 + half + 1, TILE // 2 - half : TILE // 2 + half + 1] = stamp
    seen = 0.5 * tile + rng.normal(0, sigma, tile.shape)
    both = tile_spectra(np.stack([seen, tile]).astype(np.float32))
    power = np.full((1, *both.shape[1:]), sigma**2, np.float32)
    shadow, dip = (np.fft.irfft2(spectra).ravel() for spectra in both[::-1])
    amplitude = np.linalg.lstsq(shadow[:, None], dip, rcond=None)[0][0]
    ratio = norm.logpdf(dip, shadow, sigma).sum() - norm.logpdf(dip, amplitude * shadow, sigma).sum()
    assert 0.4 < amplitude < 0.6
    assert fainter(both[:1], both[1:], power)[0] == pytest.approx(ratio, rel=1e-3)
    assert fainter(both[1:], both[1:], power)[0] == np.inf


@pytest.mark.parametrize("encoding", ["srgb", "linear"])
def test_the_noise_of_plain_ground_is_left(encoding):
    shot = photograph(light((400, 400), noise=0.01), encoding=encoding)
    places = np.mgrid[60:360:60, 60:360:60].reshape(2, -1)
    spots = Spots(*places, np.full(len(places[0]), 11.0), np.ones(len(places[0])))
    done = load("flat-field").repair(shot, spots, Known(filter_distance_mm=1.0))
    assert sum(one.how == LEFT for one in done.spots) >= 0.9 * len(spots)


@pytest.mark.parametrize(
    ("share", "texture", "shines"), [(0.0, 0.01, 0), (0.5, 0.01, 1), (0.5, 0.5, 0), (-0.5, 0.01, 0)]
)
def test_what_would_shine_out_of_its_surroundings(share, texture, shines):
    """A share of the shadow's depth too much gives a bright spot on plain ground, and nothing to tell on rough."""
    rng = np.random.default_rng(4)
    y, x = np.indices((TILE, TILE)) - TILE // 2
    stamp = -0.4 * np.exp(-(x**2 + y**2) / (2 * 4.0**2))
    left = rng.normal(0, texture, stamp.shape) - share * stamp
    both = tile_spectra(np.stack([left, stamp]).astype(np.float32))
    found = glowing(both[:1], both[1:], np.zeros((1, 2)), np.array([4.7]))
    assert found.tolist() == [bool(shines)]


@pytest.mark.parametrize(("x", "given", "diameter_um"), [(257.5, 258, 60), (257.6, 259.5, 100), (1.0, 1, 40)])
def test_a_shadow_that_the_border_cuts(x, given, diameter_um):
    """Half of it or more is all that the picture shows; the truth is the exact wave-optical stamp."""
    ground, optics, margin = light(noise=0.01), Optics(f_number=11), 60
    wide = np.ones((220 + 2 * margin, 260 + 2 * margin, 3), np.float32)
    shade(wide, diameter_um, optics, x + margin, 100.4 + margin)
    fits = fit_shadows(
        photograph(ground * wide[margin:-margin, margin:-margin], f_number=11.0), spot(given, 100, 15), optics=[optics]
    )
    assert fits.diameter_um[0] == pytest.approx(diameter_um, rel=0.03)
    assert np.hypot(fits.x[0] - x, fits.y[0] - 100.4) < 0.5
    assert fits.evidence[0] > 0


def test_stones_beside_a_shadow_do_not_make_its_size_uncertain(monkeypatch):
    """Winsorised observations bound what an outlier does (Huber, Robust Statistics, 1981, ch. 1; from memory)."""
    rng, optics, errors = np.random.default_rng(7), Optics(f_number=16), {2.0: [], np.inf: []}
    assert pytest.approx(1 / norm.ppf(0.75), rel=1e-4) == tile_fit.MEDIAN_DEVIATION
    for seed in range(24):
        ground = light((160, 160), noise=0.03, seed=seed)
        for angle in rng.uniform(0, 2 * np.pi, 4):
            y, x = round(80 + 20 * np.sin(angle)), round(80 + 20 * np.cos(angle))
            ground[y - 3 : y + 3, x - 3 : x + 3] *= 0.3
        shade(ground, 25.0, optics, 80.3, 79.6)
        for roughest, found in errors.items():
            monkeypatch.setattr(tile_fit, "ROUGHEST", roughest)
            fits = fit_shadows(photograph(ground, bits=16), spot(80, 80), optics=[optics])
            found.append(abs(np.log(fits.diameter_um[0] / 25.0)))
    assert np.mean(errors[2.0]) < 0.7 * np.mean(errors[np.inf])


def test_a_faint_shadow_beside_a_deep_one_is_its_own():
    """Two grains one shadow's width apart: fitted alone, the faint one takes the deep one's flank for its own."""
    ground, optics = light((320, 320)), Optics(f_number=16)
    shade(ground, 60.0, optics, 150.3, 149.6)
    shade(ground, 18.0, optics, 164.0, 149.6)
    shot = photograph(ground, bits=16, encoding="linear")
    both = Spots([164.0, 150.0], [150.0, 150.0], [11, 11], [1, 2])
    together = fit_shadows(shot, both, optics=[optics])
    alone = fit_shadows(shot, both.take(np.array([0])), optics=[optics])
    assert together.diameter_um == pytest.approx([18.0, 60.0], rel=0.03)
    assert together.size_error[0] < 0.05
    assert alone.diameter_um[0] < 16


def test_the_median_of_no_grain_and_of_sizes():
    """All the weight on one size: it is the median, unless no grain at all is likelier than not."""
    joint = np.full((2, len(SIZES_UM)), -50.0)
    joint[:, 7] = 0.0
    middle, spread = median_size(joint, none=np.array([0.0, 0.6]))
    assert middle[0] == pytest.approx(np.log(SIZES_UM[7]), abs=0.01)
    assert middle[1] == pytest.approx(np.log(SIZES_UM[0]))
    assert (spread < 0.12).all()
