"""What the networks are taught: losses against SciPy's arithmetic, and truths that turn with their pictures."""

import math

import numpy as np
import pytest
from scipy.special import log_softmax, logsumexp

torch = pytest.importorskip("torch")

from moteyard.detectors.network import lessons  # noqa: E402
from moteyard.detectors.network.evidence_target import (  # noqa: E402
    GRAIN,
    LN_SHARES,
    PHASES,
    PLANES,
    PRIOR,
    SIZES,
    WEIGHT,
)

RNG = np.random.default_rng(4)


def wanted(grains=6, shape=(4, 5), frames=2):
    planes = np.zeros((frames, PLANES, *shape), dtype=np.float32)
    planes[:, WEIGHT], planes[:, PRIOR] = 1.0, -4.0
    places = planes[:, GRAIN].reshape(-1)
    places[RNG.choice(places.size, grains, replace=False)] = RNG.integers(1, SIZES + 1, size=grains)
    planes[:, GRAIN] = places.reshape(frames, PHASES, *shape)
    planes[0, WEIGHT, 0, 0] = 0.0
    return planes


def usual(planes):
    return planes[:, None, None, PRIOR] + np.array(LN_SHARES)[:, None, None, None]


def test_told_is_the_cross_entropy_of_what_lies_there():
    planes = wanted()
    ratio = RNG.normal(size=(2, SIZES, PHASES, 4, 5)).astype(np.float32)
    logits = np.concatenate([np.zeros((2, 1, PHASES, 4, 5)), ratio + usual(planes)], axis=1)
    which = planes[:, GRAIN].astype(int)[:, None]
    each = -np.take_along_axis(log_softmax(logits, axis=1), which, axis=1)[:, 0]
    weight = np.repeat(planes[:, WEIGHT][:, None], PHASES, axis=1)
    expected = (each * weight).sum() / ((planes[:, GRAIN] > 0) * weight).sum()
    assert lessons.told(torch.tensor(ratio), torch.tensor(planes)).item() == pytest.approx(expected, rel=1e-5)


def test_true_likelihood_ratios_cost_least():
    # A grain lowers one number by d; in Gaussian noise ln p(x | grain) − ln p(x | none) = d·x − d²/2.
    planes = wanted(grains=400, shape=(60, 60), frames=4)
    d = 2.0
    x = RNG.normal(size=planes[:, GRAIN].shape) + d * (planes[:, GRAIN] > 0)
    planes[:, GRAIN] = planes[:, GRAIN] > 0  # all of the first size
    planes[:, PRIOR] = math.log(400 / planes[:, GRAIN].size) - LN_SHARES[0]
    true = np.full((4, SIZES, *x.shape[1:]), -40.0)
    true[:, 0] = d * x - d * d / 2

    def cost(slope, offset):
        ratio = true.copy()
        ratio[:, 0] = slope * true[:, 0] + offset
        return lessons.told(torch.tensor(ratio), torch.tensor(planes, dtype=torch.float64)).item()

    best = cost(1.0, 0.0)
    assert all(cost(slope, offset) > best for slope, offset in ((0.6, 0), (1.6, 0), (1, 1.0), (1, -1.0)))
    assert best < cost(0.0, 0.0) - 0.5


def test_found_does_not_ask_for_the_size_nor_of_what_is_next_to_a_grain():
    planes = np.zeros((1, PLANES, 3, 3), dtype=np.float32)
    planes[:, WEIGHT], planes[:, PRIOR] = 1.0, -3.0
    planes[0, 0, 1, 1] = 5.0  # place (2, 2) of 6 × 6
    ratio = np.full((1, SIZES, PHASES, 3, 3), -9.0, dtype=np.float32)
    ratio[0, 2, 0, 1, 1] = 6.0
    base = lessons.found(torch.tensor(ratio), torch.tensor(planes)).item()
    logit = logsumexp(ratio[0] + usual(planes)[0], axis=0)
    false = np.log1p(np.exp(logit))
    shuffled = false.reshape(2, 2, 3, 3).transpose(2, 0, 3, 1).reshape(6, 6)
    assert base == pytest.approx(
        np.log1p(np.exp(-logit[0, 1, 1])) + shuffled.sum() - shuffled[1:4, 1:4].sum(), rel=1e-5
    )
    ratio[0, 7, 1, 1, 1] = 30.0  # place (2, 3), beside it
    assert lessons.found(torch.tensor(ratio), torch.tensor(planes)).item() == pytest.approx(base, rel=1e-5)
    ratio[0, 7, 1, 1, 2] = 30.0  # place (2, 5)
    assert lessons.found(torch.tensor(ratio), torch.tensor(planes)).item() > base + 20


def test_over_a_roll_answers_are_added_up():
    planes = wanted(frames=2)
    answer = RNG.normal(size=(2 * 6, SIZES * PHASES, 4, 5)).astype(np.float32)
    total, parts = lessons.rolls_loss(torch.tensor(answer), torch.tensor(planes))
    sums = answer.reshape(2, 6, SIZES, PHASES, 4, 5)
    of_all = lessons.found(torch.tensor(sums.sum(axis=1)), torch.tensor(planes)).item()
    of_four = lessons.found(torch.tensor(sums[:, :4].sum(axis=1)), torch.tensor(planes)).item()
    assert parts[1:].tolist() == pytest.approx([of_four, of_all], rel=1e-4)
    assert total.item() == pytest.approx(sum(parts.tolist()), rel=1e-5)


@pytest.mark.parametrize("way", range(8))
def test_pictures_and_truths_turn_together(way):
    # One place is marked in the features' phases and in the target's; wherever it goes, both say the same.
    picture = np.zeros((12, 16), dtype=np.float32)
    picture[5, 9] = 1.0
    phases = np.stack([picture[i::2, j::2] for i in (0, 1) for j in (0, 1)])  # (4, 6, 8): a place is two pixels
    places = np.zeros((6, 8), dtype=np.float32)
    places[2, 4] = 3.0
    planes = np.zeros((1, PLANES, 3, 4), dtype=np.float32)
    planes[0, GRAIN] = np.stack([places[i::2, j::2] for i in (0, 1) for j in (0, 1)])
    shown = np.concatenate([phases, np.zeros((5, 6, 8), np.float32)])[None]
    seen, truth = lessons.EVIDENCE.turned(torch.tensor(shown), torch.tensor(planes), way)
    (phase, row, column) = (int(each) for each in torch.nonzero(seen[0, :4])[0])
    (where, cell_row, cell_column) = (int(each) for each in torch.nonzero(truth[0, GRAIN])[0])
    assert (row, column) == (2 * cell_row + where // 2, 2 * cell_column + where % 2)
    expected = picture[::-1] if way & 1 else picture
    expected = expected[:, ::-1] if way & 2 else expected
    expected = expected.T if way & 4 else expected
    assert expected[2 * row + phase // 2, 2 * column + phase % 2] == 1.0
