"""The consensus of a roll: what adds up, what must not, and where grains lie."""

import math
import tracemalloc

import numpy as np
import pytest

from moteyard.detectors import Photograph, load
from moteyard.detectors.consensus import Consensus, evidence
from moteyard.detectors.consensus_likelihood import CHANGE, FREEDOM, MISFIT, SCALE, longest_standing
from moteyard.detectors.consensus_likelihood import evidence as likelihood
from moteyard.detectors.consensus_neutral import without_colour
from moteyard.detectors.consensus_notes import notes_on
from moteyard.detectors.consensus_scene import likeness, thumbnail
from moteyard.detectors.consensus_study import studies, study
from moteyard.detectors.consensus_tiles import responses
from moteyard.detectors.profiles import Profile
from moteyard.generators.optics import Optics
from moteyard.generators.shadow import cast

SHAPE = (240, 320)
GRAINS = ((60.0, 70.0, 40.0), (200.0, 150.0, 40.0), (270.0, 60.0, 30.0))
"""x, y in pixels and diameter in µm."""


def shot(seed, grains=GRAINS, *, noise=0.1, f_number=11.0, shape=SHAPE, ratio=1.0):
    """Grey under white noise, independent from seed to seed, seen through grains that stay where they are."""
    rng = np.random.default_rng(seed)
    light = 0.25 * np.exp(rng.normal(0, noise, shape))
    optics, middle = Optics(f_number=f_number), ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    for x, y, diameter in grains:
        place = [m + (p - m) * ratio for p, m in zip((x, y), middle, strict=True)]
        shadow = cast(diameter, optics, x=place[0], y=place[1])
        half = shadow.transmission.shape[1] // 2
        top, left = max(0, shadow.row - half), max(0, shadow.column - half)
        bottom, right = min(shape[0], shadow.row + half + 1), min(shape[1], shadow.column + half + 1)
        rows = slice(top - shadow.row + half, bottom - shadow.row + half)
        columns = slice(left - shadow.column + half, right - shadow.column + half)
        light[top:bottom, left:right] *= shadow.transmission[1, rows, columns]
    codes = np.rint(65535 * np.clip(light, 0, 1)).astype(np.uint16)
    return Photograph(np.repeat(codes[..., None], 3, axis=2), f_number=f_number, pixel_um=6.0, encoding="linear")


def near(grains, x, y, *, within=4.0):
    """Return the strongest grain near a place, or None."""
    return next((grain for grain in grains if math.hypot(grain.x - x, grain.y - y) < within), None)


def found(grains, truth=GRAINS):
    return [near(grains, x, y) is not None for x, y, _ in truth]


def test_evidence_of_one_response_by_hand():
    # ν = 5, s = 1: r = δ = 2 gives 3 ln(1 + 4/5) − ln √(1 + (2 ε)²)
    assert (FREEDOM, SCALE, MISFIT) == (5.0, 1.0, 0.25)
    expected = 3 * math.log(1.8) - 0.5 * math.log(1.25)
    two = np.full((1, 1), 2, np.float32)
    assert likelihood(two, two)[0, 0] == pytest.approx(expected, rel=1e-5)


def test_a_very_dark_gap_says_little_of_a_faint_shadow():
    response = np.array([[2.0, 50.0, -50.0]], np.float32)
    faint = likelihood(response, np.full_like(response, 2.0))
    assert faint[0, 1] < faint[0, 0]
    assert abs(faint[0, 2]) < 0.5


def test_no_shadow_expected_is_no_evidence():
    response = np.linspace(-9, 9, 7, dtype=np.float32)[None]
    np.testing.assert_allclose(likelihood(response, np.zeros_like(response)), 0, atol=1e-6)


def test_a_run_pays_for_each_end_inside_the_roll():
    both = np.array([[-6.0, -1.0], [6.0, 1.0], [7.0, 1.0], [-20.0, -1.0]])
    score, first, last = longest_standing(both)
    np.testing.assert_allclose(score, [13 - 2 * CHANGE, 0])
    assert (first.tolist(), last.tolist()) == ([1, 0], [2, 3])


def test_the_best_run_is_the_best_of_all_runs():
    by_frame = np.random.default_rng(3).normal(0, 6, (9, 50))
    score, first, last = longest_standing(by_frame)
    for place in range(50):
        tried = {
            (a, b): by_frame[a : b + 1, place].sum() - CHANGE * ((a > 0) + (b < 8))
            for a in range(9)
            for b in range(a, 9)
        }
        assert score[place] == pytest.approx(max(tried.values()))
        assert tried[first[place], last[place]] == pytest.approx(score[place])


def test_responses_have_unit_variance_and_the_ideal_signal_in_white_noise():
    sigma = 0.05
    noise = np.random.default_rng(2).normal(0, sigma, (480, 624)).astype(np.float32)
    template = Profile(30.0, Optics()).log(2)
    ((response, expected),) = responses(noise, [template])
    # Prewhitening matched filter: d′ = |S|/σ in white noise (Barrett & Myers, ch. 13, from memory).
    assert expected.mean() == pytest.approx(math.sqrt(float(np.sum(template**2))) / sigma, rel=0.1)
    assert response.std() == pytest.approx(1, abs=0.06)


def test_evidence_grows_as_the_square_of_d_prime_with_the_number_of_photographs():
    # In Gaussian noise the mean of ln likelihood ratio is d′²/2 a photograph; the heavy tail takes a part of it.
    scores = {}
    for count in (2, 4, 8):
        by_seed = [evidence([shot(100 * seed + n, noise=0.25) for n in range(count)]) for seed in range(3)]
        scores[count] = np.mean([near(grains, 60, 70).score for grains in by_seed])
    assert scores[4] / scores[2] == pytest.approx(2, rel=0.3)
    assert scores[8] / scores[4] == pytest.approx(2, rel=0.3)


def test_many_photographs_find_what_one_cannot():
    faint = tuple((x, y, 17.0) for x, y, _ in GRAINS)
    roll = [shot(seed, faint, noise=0.25) for seed in range(16)]
    alone, together = evidence(roll[:1]), evidence(roll)
    assert sum(found(alone[:3], faint)) < 3
    assert all(found(together[:3], faint))


def test_scores_do_not_depend_on_the_order_of_photographs():
    roll = [shot(seed) for seed in range(5)]
    straight, turned = evidence(roll), evidence(roll[::-1])
    for x, y, _ in GRAINS:
        one, other = near(straight, x, y), near(turned, x, y)
        assert one.score == pytest.approx(other.score, rel=1e-3)
        np.testing.assert_allclose(one.by_frame, other.by_frame[::-1], rtol=1e-2, atol=1e-2)


@pytest.mark.parametrize("spoilt", ["black", "saturated", "noise"])
def test_bad_photographs_among_good_ones_do_no_harm(spoilt):
    good = [shot(seed) for seed in range(4)]
    pixels = {
        "black": np.zeros((*SHAPE, 3), np.uint16),
        "saturated": np.full((*SHAPE, 3), 65535, np.uint16),
        "noise": np.random.default_rng(1).integers(0, 65535, (*SHAPE, 3), dtype=np.uint16),
    }
    bad = Photograph(pixels[spoilt], f_number=11.0, pixel_um=6.0, encoding="linear")
    mixed = evidence([*good[:2], bad, *good[2:]])
    assert all(found(mixed[:3]))
    if spoilt != "noise":
        assert [near(mixed, x, y).by_frame[2] for x, y, _ in GRAINS] == [0, 0, 0]


def test_a_grain_that_came_midway_is_dated():
    early, late = GRAINS[:2], GRAINS[2]
    grains = evidence([shot(n, early if n < 3 else GRAINS, noise=0.03) for n in range(7)])
    stayed, came = near(grains, *early[0][:2]), near(grains, *late[:2])
    assert (stayed.first, stayed.last) == (0, 6)
    assert (came.first, came.last) == (3, 6)
    answers = Consensus().detect([shot(n, early if n < 3 else GRAINS, noise=0.03) for n in range(7)])
    there = [bool(np.any(np.hypot(a.x - late[0], a.y - late[1]) < 4)) for a in answers]
    assert there == [False] * 3 + [True] * 4


def test_another_exit_pupil_moves_shadows_and_is_noticed():
    rng = np.random.default_rng(5)
    shape = (480, 640)
    grains = [(x, y, 40.0) for x, y in rng.uniform((10, 10), (630, 470), (25, 2))]
    ratio = 1.012  # exit pupil 45 mm instead of 95 mm at 1 mm: (1 − 1/95)/(1 − 1/45) = 1.0119
    roll = [shot(n, grains, noise=0.03, shape=shape, ratio=1.0 if n < 2 else ratio) for n in range(4)]
    studied = study(roll)
    assert studied.magnifications[:2] == (1.0, 1.0)
    assert studied.magnifications[2:] == pytest.approx((ratio, ratio), abs=1.5e-3)
    last = Consensus().detect(roll)[-1]
    x, y, _ = grains[0]
    moved = (319.5 + (x - 319.5) * ratio, 239.5 + (y - 239.5) * ratio)
    assert np.hypot(last.x - moved[0], last.y - moved[1]).min() < 1.5


def test_one_scene_twice_counts_once():
    single, double = study([shot(3)]), study([shot(3), shot(3)])
    assert double.likeness == pytest.approx((0, 1))
    assert [grain.score for grain in double.grains] == [grain.score for grain in single.grains]


def test_likeness_sees_the_scene_and_not_the_dust():
    def picture(seed, grains):
        return thumbnail(np.log(shot(seed, grains, noise=0.3).luminance())[::2, ::2].copy())

    assert likeness(picture(1, GRAINS), picture(1, ())) > 0.95
    assert abs(likeness(picture(1, GRAINS), picture(2, GRAINS))) < 0.1
    plain = np.zeros((100, 100), np.float32)
    assert likeness(thumbnail(plain), thumbnail(plain)) == 0


def test_apertures_differ_and_agree():
    roll = [shot(n, f_number=number) for n, number in enumerate((8.0, 11.0, 16.0))]
    assert all(found(evidence(roll)[:3]))
    answers = Consensus().detect(roll)
    widths = [np.max(answer.diameter_px) for answer in answers]
    # d/N at 1 mm and 6 µm: 20.8, 14.7 and 10.4 pixels.
    assert widths == pytest.approx([20.83, 14.73, 10.42], abs=0.01)


def test_an_unknown_aperture_is_swept():
    roll = [shot(n) for n in range(4)]
    blind = [Photograph(one.pixels, pixel_um=6.0, encoding="linear") for one in roll]
    assert all(found(evidence(blind)[:3]))


def test_memory_does_not_grow_with_the_roll():
    class Lazy:
        def __init__(self, count):
            self.count = count

        def __len__(self):
            return self.count

        def __getitem__(self, index):
            if index >= self.count:
                raise IndexError(index)
            return shot(index)

    peaks = []
    study(Lazy(2))  # fills the caches of profiles
    for count in (4, 16):
        tracemalloc.start()
        study(Lazy(count))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]


def test_sizes_that_differ_cannot_be_added():
    with pytest.raises(ValueError, match="must have one size, not 320×240 and 200×100"):
        evidence([shot(0), shot(1, (), shape=(100, 200))])
    answers = Consensus().detect([shot(0), shot(1, (), shape=(100, 200))])
    assert len(answers) == 2


def test_colour_tells_texture_from_shadow():
    rng = np.random.default_rng(4)
    colour, other = rng.normal(0, 0.2, (2, 96, 96)).astype(np.float32)
    shadow = np.zeros((96, 96), np.float32)
    shadow[40:50, 40:50] = -0.1
    left = without_colour(2 * colour - other + shadow, colour, other)
    assert np.abs(left[8:-8, 8:-8] - shadow[8:-8, 8:-8]).max() < 0.06
    assert left[42:48, 42:48].mean() == pytest.approx(-0.1, abs=0.02)


def _notes(*shots):
    return notes_on(study(shots), [16.0] * len(shots))


def test_notes_say_what_weakens_a_roll():
    assert "2 photographs" in " ".join(_notes(shot(1), shot(2)))
    assert "photograph 2 repeats" in " ".join(_notes(shot(1), shot(1), shot(2)))
    assert _notes(*map(shot, range(8))) == []
    assert "--f-number" in " ".join(notes_on(study([shot(1)]), [None]))


def test_a_roll_is_registered():
    assert load("consensus").name == "consensus"


def test_a_growing_roll_is_answered_like_its_beginnings():
    small = shot(5, [(60.0, 40.0, 40.0)], shape=(120, 160))
    # One of another size, and a scene seen before: shot(1) again.
    roll = [shot(1), shot(2), small, shot(1), shot(3), shot(4, ratio=1.02)]
    counts = (1, 2, 3, 4, 6)
    for name in ("consensus", "matched"):
        detector = load(name)
        for count, spots in zip(counts, detector.detect_latest(roll, counts), strict=True):
            alone = detector.detect(roll[:count])[-1]
            assert len(spots) > 0
            for column in ("x", "y", "diameter_px", "score"):
                assert np.array_equal(getattr(spots, column), getattr(alone, column)), (name, count, column)


def test_a_growing_roll_reads_each_photograph_twice_for_all_lengths():
    class Counted(list):
        read = 0

        def __getitem__(self, index):
            if isinstance(index, int):
                type(self).read += 1
            return super().__getitem__(index)

    roll = Counted(shot(seed) for seed in range(6))
    studies(roll, (1, 2, 4, 6))
    assert Counted.read <= 2 * len(roll) + 2  # and the first twice more, for its size
