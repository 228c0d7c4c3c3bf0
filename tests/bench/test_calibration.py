"""Probabilities from scores: the regression against scikit-learn, the maps by hand, the whole by simulation."""

import numpy as np
import pytest
from scipy.special import expit
from sklearn.isotonic import IsotonicRegression

from moteyard.bench.calibration import KINDS, Sample, chosen, cross_validated, fit_grid, isotonic, monotone_map


def test_isotonic_against_scikit_learn():
    rng = np.random.default_rng(1)
    score = np.round(rng.normal(size=500), 1)  # with ties
    hit = rng.random(500) < expit(2 * score)
    middle, share, total, found = isotonic(score, hit)
    theirs = IsotonicRegression(out_of_bounds="clip").fit(score, hit.astype(float))
    levels = np.unique(score)
    ours = share[np.searchsorted(middle, levels, side="left").clip(0, len(middle) - 1)]
    # a level belongs to the block whose mean is nearest in order; compare the sets of values and the fit at ends
    np.testing.assert_allclose(np.unique(share), np.unique(theirs.predict(levels)))
    assert (ours[0], ours[-1]) == pytest.approx((theirs.predict([levels[0]])[0], theirs.predict([levels[-1]])[0]))
    assert (total.sum(), found.sum()) == (500, hit.sum())
    assert (np.diff(share) > 0).all()


def test_blocks_by_hand():
    # 0 1 0 1 at scores 1 2 3 4: the violators 1 0 pool to ½ (Ayer et al. 1955)
    middle, share, total, found = isotonic([4, 1, 3, 2], [True, False, False, True])
    assert (middle.tolist(), share.tolist()) == ([1, 2.5, 4], [0, 0.5, 1])
    assert (total.tolist(), found.tolist()) == ([1, 2, 1], [0, 1, 1])


def test_a_map_by_hand():
    # Jeffreys: (0 + ½)/2, (1 + ½)/3, (1 + ½)/2
    one = monotone_map([4, 1, 3, 2], [True, False, False, True])
    assert (one.score, one.probability) == ((1, 2.5, 4), (0.25, 0.5, 0.75))
    assert one([0, 1.75, 9]).tolist() == [0.25, 0.375, 0.75]


def test_ends_go_on_by_half():
    one = monotone_map([1, 2, 3, 4], [False, False, True, True])
    assert (one.score, one.probability) == ((1, 1.5, 3.5, 4), (0.5 / 3 / 2, 0.5 / 3, 2.5 / 3, (1 + 2.5 / 3) / 2))


@pytest.mark.parametrize("hit", [False, True])
def test_one_kind_alone_is_never_certain(hit):
    one = monotone_map([3.0], [hit])
    assert one.probability == ((0.75,) if hit else (0.25,))


def test_nothing_to_fit():
    with pytest.raises(ValueError, match="no candidates to fit"):
        monotone_map([], [])


def simulated(count=20_000, *, shift=0.0, seed=2):
    """Scores whose probability is expit(score), less `shift` on the rougher half of 40 frames."""
    rng = np.random.default_rng(seed)
    score, rough = rng.normal(0, 2, count), rng.random(count) < 0.5
    return Sample(
        score=score,
        hit=rng.random(count) < expit(score - shift * rough),
        log2_f_number=rng.choice([3.0, 4.0], count),
        log_texture=np.where(rough, -2.0, -6.0) + rng.normal(0, 0.1, count),
        block=rng.integers(40, size=count),
    )


def test_a_known_law_is_found():
    one = monotone_map(simulated().score, simulated().hit)
    score = np.linspace(-4, 4, 81)
    # blocks of a few hundred: a standard error of √(p(1−p)/n) ≈ 0.03 at most
    assert np.abs(one(score) - expit(score)).max() < 0.08
    assert np.abs(one(score) - expit(score)).mean() < 0.02


def test_the_simplest_kind_that_serves_is_taken():
    assert chosen(cross_validated(simulated())) == "one map"
    assert chosen(cross_validated(simulated(shift=3))) == "by texture"


def test_cross_validation_leaves_frames_out_whole():
    # a label that a frame has in common can't be learned where the frame is left out
    rng = np.random.default_rng(3)
    block = np.repeat(np.arange(20), 50)
    sample = Sample(rng.normal(size=1000), rng.random(20)[block] < 0.5, np.full(1000, 3.0), np.full(1000, -3.0), block)
    (trial, *_) = cross_validated(sample)
    assert trial.brier > 0.2


def test_too_few_frames():
    sample = simulated(200)
    with pytest.raises(ValueError, match="4 frames with candidates are too few"):
        cross_validated(sample.take(sample.block < 4))


def test_textures_between_the_classes_are_mixed():
    sample = simulated(shift=3)
    grid = fit_grid(sample, **KINDS["by texture"])
    smooth, rough = grid.log_textures[0], grid.log_textures[-1]
    assert (smooth, rough) == pytest.approx((-6, -2), abs=0.2)

    def at(texture):
        return grid.probability(Sample(*(np.array([value]) for value in (1.0, True, 3.0, texture, 0))))[0]

    # expit(1) = 0.731, expit(−2) = 0.119
    assert (at(smooth), at(rough)) == pytest.approx((0.731, 0.119), abs=0.06)
    assert at(-99) == at(smooth)
    assert at(smooth) > at(-3.5) > at(rough)


def test_an_aperture_that_lacks_a_texture_borrows_it():
    sample = simulated(4000, shift=3)
    lacking = sample.take((sample.log2_f_number == 3) | (sample.log_texture < -4))
    grid = fit_grid(lacking, **KINDS["by aperture and texture"])
    assert [len(row) for row in grid.maps] == [len(grid.log_textures)] * 2
