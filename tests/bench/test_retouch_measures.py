"""What is measured of a repaired picture, against published values and cases done by hand."""

import colour
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

from moteyard.bench.retouch.measure import colour_difference, difference_seen, harmed, texture_variances
from moteyard.bench.retouch.observer import difference_visibility, sensitivity
from moteyard.bench.retouch.original import Original, original_in_roll, original_of
from moteyard.bench.retouch.outcome import FrameOutcome, Outcome
from moteyard.bench.retouch.pipelines import AS_IT_IS, BY_HAND, RATIOS, prices, regions, repair_line
from moteyard.bench.visibility import Viewing, threshold_contrast
from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.roll import render_exposure
from moteyard.generators.roll_plan import RollPlan, make_roll
from moteyard.generators.scene import Scene, render

PPD = Viewing().pixels_per_degree

SHARMA = [
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
    ((50.0, -1.0, 2.0), (50.0, 0.0, 0.0), 2.3669),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0009), 7.1792),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0011), 7.2195),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
]
"""Pairs of Sharma, Wu & Dalal, Color Research & Application 30 (2005) 21, table 1 (from memory)."""


@pytest.mark.parametrize(("one", "other", "wanted"), SHARMA)
def test_ciede2000_of_published_pairs(one, other, wanted):
    assert deltaE_ciede2000(np.array(one), np.array(other)) == pytest.approx(wanted, abs=5e-5)


def test_colour_difference_of_codes():
    """Against colour-science, which has its own chain from sRGB to CIEDE2000."""
    rng = np.random.default_rng(3)
    one, other = (rng.integers(0, 256, (40, 3), dtype=np.uint8) for _ in range(2))
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    first, second = (colour.XYZ_to_Lab(colour.sRGB_to_XYZ(codes / 255), white) for codes in (one, other))
    wanted = colour.delta_E(first, second, method="CIE 2000")
    np.testing.assert_allclose(colour_difference(one, other, encoding="srgb"), wanted, atol=0.02)


def test_the_observers_sensitivity():
    """Values of the standard spatial observer's formula, Watson & Ahumada 2005."""
    np.testing.assert_allclose(sensitivity([0, 4, 16]), [56.223, 214.204, 43.115], atol=1e-3)


def disc_at_threshold(arcmin):
    """Return a uniform disc that `threshold_contrast` says is just seen with near certainty, in a square."""
    width = arcmin / 60 * PPD
    side = int(3 * width) | 1
    radius = np.hypot(*(np.indices((side, side)) - side // 2))
    return np.clip(width / 2 - radius + 0.5, 0, 1) * float(threshold_contrast(arcmin, 100.0, k=2.6))


def test_the_scale_of_free_viewing_is_that_of_discs():
    """The one constant between the two models, from the discs that both speak of and from nothing else."""
    discs = [disc_at_threshold(arcmin) for arcmin in np.geomspace(3.6, 60, 10)]
    levels = [difference_visibility(disc, (len(disc) // 2,) * 2, pixels_per_degree=PPD) for disc in discs]
    assert np.exp(np.mean(np.log(levels))) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("arcmin", [4, 6, 10, 20, 30, 60])
def test_discs_at_the_other_models_threshold_are_just_seen(arcmin):
    """Two models of seeing from different data agree on discs of all sizes to a tenth, with one constant between."""
    disc = disc_at_threshold(arcmin)
    side = len(disc)
    level = difference_visibility(disc, (side // 2, side // 2), pixels_per_degree=PPD)
    assert 0.9 < level < 1.1
    assert difference_visibility(-2 * disc, (side // 2,) * 2, pixels_per_degree=PPD) == pytest.approx(
        2 * level, rel=1e-5
    )


def test_no_difference_is_not_seen():
    assert difference_visibility(np.zeros((9, 9)), (4, 4), pixels_per_degree=PPD) == 0


def test_only_the_place_counts():
    original = np.full((90, 90, 3), 120, np.uint8)
    changed = original.copy()
    changed[:20] = 0
    assert difference_seen(changed, original, (45.0, 60.0, 12.0), encoding="srgb", ppd=PPD) == 0
    changed[60, 45] = 0
    assert difference_seen(changed, original, (45.0, 60.0, 12.0), encoding="srgb", ppd=PPD) > 0


def test_texture_of_a_flat_patch_and_of_itself():
    texture = np.random.default_rng(2).integers(80, 160, (60, 60, 3), dtype=np.uint8)
    spot = (30.0, 30.0, 20.0)
    same = texture_variances(texture, texture, spot, encoding="srgb")
    assert same[0] == same[1] > 0
    flat, _ = texture_variances(np.full_like(texture, 120), texture, spot, encoding="srgb")
    assert flat == pytest.approx(0, abs=1e-12)


def test_harm_is_what_was_clean_and_changed_and_differs():
    clean = np.full((8, 8, 3), 120, np.uint8)
    depth = np.zeros((8, 8), np.float32)
    depth[0] = 0.2
    before, after = clean.copy(), clean.copy()
    before[0], after[0] = 100, 140  # under a shadow: not harm
    before[1] = after[1] = 100  # not the repair's doing
    after[2] = 121  # ΔE00 about 0.4: not to be noticed
    after[3] = 130
    wrong = harmed(after, before, Original(clean, depth), window=(slice(0, 8), slice(0, 8)), encoding="srgb")
    assert wrong[3].all()
    assert wrong.sum() == 8


CAMERA = Camera(width_px=200, height_px=160)


def test_the_original_is_the_frame_without_dust():
    scene = Scene("a", "sky", Optics(f_number=16), CAMERA, Population(mean_count=6, smallest_um=20), seed=(1, 5))
    frame = render(scene)
    original = original_of(frame)
    clean = original.depth == 0
    assert 0.3 < clean.mean() < 1
    np.testing.assert_array_equal(original.pixels[clean], frame.pixels[clean])
    deep = original.depth > 0.2
    assert (original.pixels[deep].astype(int) > frame.pixels[deep]).mean() > 0.9
    assert original.depth.max() == pytest.approx(frame.truth.depth.max(), rel=1e-6)


def test_the_original_in_a_roll():
    plan = RollPlan(theme="sky", exposures=3, test_frames=0, camera=CAMERA, population=Population(mean_count=4))
    roll = make_roll(plan, "r", entropy=4)
    frame = render_exposure(roll, 2)
    original = original_in_roll(roll, 2, frame)
    clean = original.depth == 0
    np.testing.assert_array_equal(original.pixels[clean], frame.pixels[clean])


def outcome(score, truth, *, before, after, repair="r", how="divided", detector="d"):
    return Outcome(detector, repair, score, truth, how, before, after, 0.3, 0, 1.0, 2.0)


def frame(number, outcomes, *, visible):
    return FrameOutcome(f"s{number}", "sky", 8.0, f"b{number}", 1000, dict.fromkeys(visible, 4.0), tuple(outcomes))


def hits_and_a_false_alarm(number):
    """Two visible spots; the stronger candidate mends one, then comes a false alarm, then the other spot."""
    candidates = [
        outcome(9.0, 0, before=4.0, after=0.5),
        outcome(5.0, -1, before=0.0, after=3.0),
        outcome(2.0, 1, before=4.0, after=0.5),
    ]
    return frame(number, candidates, visible=(0, 1))


def test_prices_by_hand():
    """At a low price of misses stop before the false alarm; at a high one take all: r against 1."""
    found = prices([hits_and_a_false_alarm(n) for n in range(4)], hand=0.75)
    by = {(price.pipeline, round(price.ratio, 6)): price for price in found}
    low, high = round(RATIOS[0], 6), round(RATIOS[-1], 6)
    assert by[AS_IT_IS, high].cost == pytest.approx(2 * RATIOS[-1])
    assert by[BY_HAND, low].cost == pytest.approx(1.5)
    assert (by["d + r", low].left, by["d + r", low].harmed) == (1, 0)
    assert (by["d + r", high].left, by["d + r", high].harmed) == (0, 1)
    assert by["d + r", high].cost == pytest.approx(1.0)
    best = regions(found)
    assert [region.pipeline for region in best] == ["d + r"]


def test_the_hand_wins_where_it_is_cheap():
    found = prices([hits_and_a_false_alarm(n) for n in range(4)], hand=0.2)
    assert [region.pipeline for region in regions(found)] == ["d + r", BY_HAND]


def test_a_mended_spot_that_shows_is_left():
    frames = [frame(n, [outcome(3.0, 0, before=4.0, after=2.0)], visible=(0,)) for n in range(2)]
    (price,) = [p for p in prices(frames) if p.pipeline == "d + r" and p.ratio == RATIOS[0]]
    assert price.left == 1


def test_a_repairs_line():
    frames = [
        frame(n, [outcome(1.0, 0, before=4.0, after=1.0), outcome(1.0, 1, before=4.0, after=0.0)], visible=(0, 1))
        for n in range(5)
    ]
    line = repair_line(frames, "d", "r", f_number=8.0)
    assert line.spots == 10
    assert (line.residual.estimate, line.residual.low, line.residual.high) == (0.125, 0.125, 0.125)
    assert line.still_seen.estimate == 0.5
    assert line.texture.estimate == 0.5
    assert line.harmed.estimate == 0
    assert np.isnan(line.marred.estimate)


def test_marred_is_what_shows_where_nothing_was():
    """Two of each frame's three false alarms on nothing are seen once mended; the fourth candidate was seen before."""
    alarms = [outcome(1.0, -1, before=0.2, after=after) for after in (0.4, 1.0, 3.0)]
    frames = [frame(n, [*alarms, outcome(1.0, -1, before=2.0, after=3.0)], visible=()) for n in range(5)]
    marred = repair_line(frames, "known", "r", f_number=8.0).marred
    assert (marred.estimate, marred.low, marred.high) == pytest.approx((2 / 3, 2 / 3, 2 / 3))


def test_outcomes_survive_their_file():
    one = hits_and_a_false_alarm(1)
    assert FrameOutcome.from_plain(one.to_plain()) == one


def test_one_block_gives_a_detector_no_price():
    found = prices([hits_and_a_false_alarm(0)], hand=0.75)
    assert {price.pipeline for price in found} == {AS_IT_IS, BY_HAND}
    assert [region.pipeline for region in regions(found)] == [AS_IT_IS, BY_HAND]
