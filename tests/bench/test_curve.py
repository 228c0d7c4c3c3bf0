import time

import numpy as np
import pytest

from moteyard.bench.curve import Convention, curve, f_score, precision, recall
from moteyard.bench.pooled_hits import pool

WORKED_EXAMPLE = "TFTFFFFFFTFTTTFFFFFFFFTF"
"""Padilla, Netto and da Silva, 'A survey on performance metrics for object-detection algorithms' (IWSSIP
2020, doi 10.1109/IWSSIP48289.2020.9145130): hits and false alarms of 24 detections of 15 objects in the order
of their table, where the two of confidence 95 % follow one another."""

WORKED_SCORES = [
    95,
    95,
    91,
    88,
    84,
    80,
    78,
    74,
    71,
    70,
    67,
    62,
    54,
    48,
    45,
    45,
    44,
    44,
    43,
    38,
    35,
    23,
    18,
    14,
]


def worked():
    hit = np.array([letter == "T" for letter in WORKED_EXAMPLE])
    return np.arange(24, 0, -1.0), hit


def random_case(rng, *, ties=False):
    m = int(rng.integers(1, 60))
    score = rng.integers(0, 8, m).astype(float) if ties else rng.normal(size=m)
    hit = rng.random(m) < rng.uniform(0.1, 0.9)
    return score, hit, int(hit.sum() + rng.integers(0, 10))


@pytest.mark.parametrize(
    ("beta", "value"), [(1.0, 0.727273), (0.5, 0.769231), (2.0, 0.689655)], ids=["F1", "F0.5", "F2"]
)
def test_eight_hits_two_false_alarms_four_missed(beta, value):
    assert precision(8, 2) == pytest.approx(0.8)
    assert recall(8, 12) == pytest.approx(2 / 3)
    assert f_score(8, 2, 12, beta=beta) == pytest.approx(value, abs=5e-7)


def test_nothing_over_nothing_is_nan():
    assert np.isnan(precision(0, 0))
    assert np.isnan(recall(0, 0))
    assert np.isnan(f_score(0, 0, 0))
    assert f_score(0, 3, 0) == 0
    assert f_score(0, 0, 3) == 0


@pytest.mark.parametrize(
    ("convention", "value"),
    [
        (Convention.EVERY_POINT, 0.245687),
        (Convention.ELEVEN_POINT, 0.268398),
        (Convention.HUNDRED_POINT, 0.248160),
    ],
)
def test_worked_example(convention, value):
    score, hit = worked()
    drawn = curve(score, hit, truths=15, frames=7)
    assert drawn.average_precision(convention) == pytest.approx(value, abs=5e-7)


def test_worked_example_with_its_own_confidences_differs_by_the_tie_on_top():
    _, hit = worked()
    drawn = curve(np.array(WORKED_SCORES, float), hit, truths=15, frames=7)
    # One hit and one false alarm enter together, so the best precision at recall 1/15 is 2/3, not 1.
    assert drawn.average_precision() == pytest.approx(0.245687 - (1 - 2 / 3) / 15, abs=5e-7)
    # scikit-learn gives .416791 here, of the seven found; of all fifteen that is 7/15 as much.
    assert drawn.average_precision(Convention.STEP) == pytest.approx(0.416791 * 7 / 15, abs=5e-7)


def test_equal_scores_enter_together_in_whatever_order_they_are_listed():
    one = curve(np.ones(4), np.array([True, False, False, True]), truths=4, frames=1)
    other = curve(np.ones(4), np.array([False, True, True, False]), truths=4, frames=1)
    assert one.threshold.tolist() == [1.0]
    assert one.hits.tolist() == other.hits.tolist() == [2.0]
    assert one.average_precision() == other.average_precision() == pytest.approx(0.5 * 0.5)


def test_a_perfect_ranking_has_average_precision_one_by_every_convention():
    drawn = curve(np.arange(6.0), np.array([False] * 3 + [True] * 3), truths=3, frames=1)
    assert [drawn.average_precision(one) for one in Convention] == pytest.approx([1.0] * 4)


def test_without_candidates_it_is_zero_and_without_truths_nan():
    empty = np.zeros(0), np.zeros(0, bool)
    assert curve(*empty, truths=3, frames=1).average_precision() == 0
    assert np.isnan(curve(*empty, truths=0, frames=1).average_precision())
    assert np.isnan(curve(np.ones(1), np.zeros(1, bool), truths=0, frames=1).average_precision())


def test_a_recall_on_the_grid_reaches_its_level():
    # 0.30000000000000004 is what a decimal grid makes of 0.3; ten truths, three hits must reach it.
    drawn = curve(np.arange(3.0), np.ones(3, bool), truths=10, frames=1)
    assert drawn.average_precision(Convention.ELEVEN_POINT) == pytest.approx(4 / 11)
    seven = curve(np.arange(7.0), np.ones(7, bool), truths=20, frames=1)
    assert seven.average_precision(Convention.HUNDRED_POINT) == pytest.approx(36 / 101)


@pytest.mark.parametrize("ties", [False, True])
def test_step_rule_equals_scikit_learn_times_recall(ties):
    metrics = pytest.importorskip("sklearn.metrics")
    rng = np.random.default_rng(1)
    for _ in range(50):
        score, hit, truths = random_case(rng, ties=ties)
        if not hit.any():
            continue
        expected = metrics.average_precision_score(hit, score) * hit.sum() / truths
        found = curve(score, hit, truths=truths, frames=1).average_precision(Convention.STEP)
        assert found == pytest.approx(expected, abs=1e-12)


def coco_average_precision(frames, truths):
    """AP at IoU 0.5 by the COCO tools: boxes 10 wide, 100 apart, a hit on its box and the rest far off."""
    from pycocotools.coco import COCO
    from pycocotools.cocoeval import COCOeval

    def box(index, row):
        return [100.0 * index, 100.0 * row, 10.0, 10.0]

    annotations, results = [], []
    for image, (score, hit) in enumerate(frames, start=1):
        for index in range(truths[image - 1]):
            annotations.append(
                {"id": len(annotations) + 1, "image_id": image, "category_id": 1, "bbox": box(index, 0)}
                | {"area": 100.0, "iscrowd": 0}
            )
        for index, value in enumerate(score):
            place = box(int(hit[:index].sum()), 0) if hit[index] else box(index, 5)
            results.append({"image_id": image, "category_id": 1, "bbox": place, "score": float(value)})
    truth = COCO()
    truth.dataset = {
        "images": [{"id": image + 1} for image in range(len(frames))],
        "categories": [{"id": 1}],
        "annotations": annotations,
        "info": {},
    }
    truth.createIndex()
    judge = COCOeval(truth, truth.loadRes(results), "bbox")
    judge.params.maxDets = [1, 10, 10_000]
    judge.evaluate()
    judge.accumulate()
    return float(np.mean(judge.eval["precision"][0, :, 0, 0, 2]))


def test_hundred_point_rule_equals_the_coco_tools(capsys):
    pytest.importorskip("pycocotools")
    rng = np.random.default_rng(2)
    for total in (7, 13, 23, 41, 149):  # primes: no recall but 1 lies on the decimal grid, which rounds
        frames, truths = [], []
        for part in rng.multinomial(total, [1 / 3] * 3):
            hit = rng.permutation(np.repeat([True, False], [part - part // 4, 2 * part + 1]))
            frames.append((rng.normal(size=len(hit)) + hit, hit))
            truths.append(int(part))
        score, hit = (np.concatenate(columns) for columns in zip(*frames, strict=True))
        found = curve(score, hit, truths=total, frames=3).average_precision(Convention.HUNDRED_POINT)
        assert found == pytest.approx(coco_average_precision(frames, truths), abs=1e-9)


def froc_example():
    # Scores 5…1: hit, false, hit, false, false; four truths; two frames, one of them empty.
    hit = np.array([True, False, True, False, False])
    return curve(np.arange(5.0, 0, -1), hit, truths=4, frames=2, megapixels=4.0)


def test_froc_counts_empty_frames_and_never_interpolates():
    drawn = froc_example()
    assert drawn.false_alarms_per_frame.tolist() == [0, 0.5, 0.5, 1, 1.5]
    assert drawn.false_alarms_per_megapixel.tolist() == [0, 0.25, 0.25, 0.5, 0.75]
    assert drawn.recall_at([0, 0.49, 0.5, 9]).tolist() == [0.25, 0.25, 0.5, 0.5]
    assert drawn.recall_at_per_megapixel([0.24, 0.25]).tolist() == [0.25, 0.5]


def test_froc_score_is_the_mean_over_seven_rates():
    # 1/8 and 1/4 per frame allow the first hit only, the five others both.
    assert froc_example().froc_score() == pytest.approx((2 * 0.25 + 5 * 0.5) / 7)


def test_froc_without_a_quiet_threshold_is_zero_and_without_truths_nan():
    noisy = curve(np.ones(4), np.array([True, False, False, False]), truths=1, frames=1)
    assert noisy.recall_at([2, 3]).tolist() == [0, 1]
    assert np.isnan(curve(np.ones(1), np.zeros(1, bool), truths=0, frames=1).recall_at([1])).all()
    assert curve(np.zeros(0), np.zeros(0, bool), truths=2, frames=1).recall_at([1]).tolist() == [0]


def pooled_case(rng, *, blocks=6, candidates=120, ties=False):
    score = rng.integers(0, 15, candidates).astype(float) if ties else rng.normal(size=candidates)
    hit = rng.random(candidates) < 0.3
    block = rng.integers(0, blocks, candidates)
    truths = np.bincount(block[hit], minlength=blocks) + rng.integers(0, 4, blocks)
    return score, hit, block, truths


@pytest.mark.parametrize("ties", [False, True])
def test_a_replicate_equals_the_curve_of_its_repeated_blocks(ties):
    rng = np.random.default_rng(5)
    score, hit, block, truths = pooled_case(rng, ties=ties)
    pooled = pool(score, hit, block, truths=truths)
    weights = rng.multinomial(6, [1 / 6] * 6, size=600)  # more than one portion
    for convention in Convention:
        found = pooled.average_precision(weights, convention)
        for row in (0, 17, 511, 512, 599):
            copies = weights[row][block]
            repeated = curve(
                np.repeat(score, copies),
                np.repeat(hit, copies),
                truths=int(weights[row] @ truths),
                frames=1,
            )
            assert found[row] == pytest.approx(repeated.average_precision(convention), abs=1e-12)


def test_a_replicate_without_truths_is_nan():
    pooled = pool(np.ones(2), np.array([True, False]), np.array([0, 1]), truths=[1, 0])
    assert pooled.average_precision(np.array([[1, 1], [2, 0], [0, 2]]))[:2].tolist() == [0.5, 1.0]
    assert np.isnan(pooled.average_precision(np.array([[0, 2]]))).all()


def test_a_block_without_candidates_lowers_recall():
    pooled = pool(np.ones(1), np.ones(1, bool), np.zeros(1, int), truths=[1, 1])
    assert pooled.average_precision(np.ones((1, 2))).tolist() == [0.5]


def test_no_candidates_at_all():
    pooled = pool(np.zeros(0), np.zeros(0, bool), np.zeros(0, int), truths=[2, 0])
    assert pooled.average_precision(np.ones((3, 2))).tolist() == [0, 0, 0]


def test_a_thousand_replicates_of_eighty_frames_take_a_moment():
    rng = np.random.default_rng(6)
    block = np.repeat(np.arange(80), 1000)
    score = rng.normal(size=80_000)
    hit = rng.random(80_000) < 0.04 * np.exp(score) / 1.65
    pooled = pool(score, hit, block, truths=np.full(80, 120))
    weights = rng.multinomial(80, [1 / 80] * 80, size=1000)
    started = time.perf_counter()
    assert np.isfinite(pooled.average_precision(weights)).all()
    assert time.perf_counter() - started < 2.0  # 0.1 s on a quiet core; room for a busy one


def test_wrong_input_is_named():
    with pytest.raises(ValueError, match="one equal length"):
        curve(np.ones(2), np.ones(3, bool), truths=3, frames=1)
    with pytest.raises(ValueError, match="score must be finite"):
        curve(np.array([np.inf]), np.ones(1, bool), truths=1, frames=1)
    with pytest.raises(ValueError, match="2 hits on 1 true spots"):
        curve(np.ones(2), np.ones(2, bool), truths=1, frames=1)
    with pytest.raises(ValueError, match="block 1 has more hits than its 0 true spots"):
        pool(np.ones(1), np.ones(1, bool), np.ones(1, int), truths=[1, 0])
    with pytest.raises(ValueError, match="block must name one of 1 blocks"):
        pool(np.ones(1), np.ones(1, bool), np.ones(1, int), truths=[1])
    with pytest.raises(ValueError, match=r"weights must have shape \(replicates, 1\)"):
        pool(np.ones(1), np.ones(1, bool), np.zeros(1, int), truths=[1]).average_precision(np.ones(1))
    with pytest.raises(ValueError, match="not a valid Convention"):
        curve(np.ones(1), np.ones(1, bool), truths=1, frames=1).average_precision("area")
