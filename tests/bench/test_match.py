import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from moteyard.bench.label import label
from moteyard.bench.match import gate_px, match


def line(*x):
    """Points on the x axis."""
    return np.array([(value, 0.0) for value in x]).reshape(-1, 2)


def same(count, value):
    return np.full(count, float(value))


def dense_match(truths, radius, spots):
    """The definition, word for word, as one dense assignment."""
    distance = np.linalg.norm(truths[:, None] - spots[None], axis=2)
    gate = np.maximum(3.0, radius)[:, None]
    big = min(distance.shape) + 1.0
    cost = np.where(distance <= gate, distance / gate, big)
    rows, columns = linear_sum_assignment(cost)
    found = np.full(len(spots), -1)
    for row, column in zip(rows, columns, strict=True):
        if cost[row, column] < big:
            found[column] = row
    return found


def largest(truths, radius, spots):
    """Size of a maximum matching within the gates, by another algorithm (Hopcroft–Karp in scipy)."""
    distance = np.linalg.norm(truths[:, None] - spots[None], axis=2)
    inside = distance <= np.maximum(3.0, radius)[:, None]
    return int((maximum_bipartite_matching(csr_array(inside.astype(int))) >= 0).sum())


def random_case(rng, *, area=40.0, truths=8, spots=25):
    n, m = rng.integers(1, truths + 1), rng.integers(1, spots + 1)
    return rng.uniform(0, area, (n, 2)), rng.uniform(1, 9, n), rng.uniform(0, area, (m, 2))


def test_gate_is_the_radius_but_never_under_three_pixels():
    assert gate_px(np.array([0.0, 2.9, 3.0, 12.5])).tolist() == [3.0, 3.0, 3.0, 12.5]


def test_the_optimum_pairs_two_where_nearest_first_pairs_one():
    # Truth 5 and candidate 3 are nearest to each other, which strands truth 0 and candidate 9.
    result = match(line(0, 5), same(2, 4), spots_xy=line(3, 9))
    assert result.truth_of_spot.tolist() == [0, 1]
    assert result.distance_px.tolist() == [3.0, 4.0]


def test_a_pair_out_of_reach_does_not_cost_a_pair_within():
    # Assign by distance and drop afterwards: 0 with -30 and 10 with 4 is the cheapest sum, and both drop.
    result = match(line(0, 10), same(2, 5), spots_xy=line(4, -30))
    assert result.truth_of_spot.tolist() == [0, -1]
    assert np.isnan(result.distance_px[1])


def test_the_gate_is_inclusive():
    assert match(line(0), same(1, 3), spots_xy=line(3)).truth_of_spot.tolist() == [0]
    assert match(line(0), same(1, 3), spots_xy=line(3.0001)).truth_of_spot.tolist() == [-1]


def test_each_truth_and_each_spot_is_used_once():
    result = match(line(0), same(1, 5), spots_xy=line(2, 1, -3))
    assert result.truth_of_spot.tolist() == [-1, 0, -1]


def test_of_equal_counts_the_nearest_pairs_win():
    result = match(line(0, 4), same(2, 6), spots_xy=line(4.5, 0.5))
    assert result.truth_of_spot.tolist() == [1, 0]


@pytest.mark.parametrize(("n", "m"), [(0, 0), (0, 3), (3, 0)])
def test_nothing_to_match_keeps_its_shape(n, m):
    result = match(np.zeros((n, 2)), np.zeros(n), spots_xy=np.zeros((m, 2)))
    assert result.truth_of_spot.tolist() == [-1] * m
    assert np.isnan(result.distance_px).all()


@pytest.mark.parametrize("seed", range(5))
def test_matching_by_groups_equals_one_dense_assignment(seed):
    rng = np.random.default_rng(seed)
    for _ in range(60):
        truths, radius, spots = random_case(rng)
        found = match(truths, radius, spots_xy=spots).truth_of_spot
        assert found.tolist() == dense_match(truths, radius, spots).tolist()


def test_matching_does_not_care_where_the_frame_lies_or_how_it_is_turned():
    rng = np.random.default_rng(7)
    truths, radius, spots = random_case(rng, truths=20, spots=60)
    turn = np.array([[0.6, -0.8], [0.8, 0.6]])
    moved = match(truths @ turn.T + 50, radius, spots_xy=spots @ turn.T + 50)
    assert moved.truth_of_spot.tolist() == match(truths, radius, spots_xy=spots).truth_of_spot.tolist()


def label_all(truths, radius, spots, score):
    return label(truths, radius, ignored=np.zeros(len(truths), bool), spots_xy=spots, score=score)


@pytest.mark.parametrize("seed", range(5))
def test_hits_above_any_threshold_are_as_many_as_a_maximum_matching_there(seed):
    rng = np.random.default_rng(100 + seed)
    for _ in range(25):
        truths, radius, spots = random_case(rng)
        score = rng.integers(0, 12, len(spots)).astype(float)  # with many ties
        hit = label_all(truths, radius, spots, score).hit
        for threshold in np.unique(score):
            above = score >= threshold
            assert hit[above].sum() == largest(truths, radius, spots[above])


def test_a_sure_candidate_stays_a_hit_when_a_nearer_doubtful_one_enters():
    labels = label_all(line(0), same(1, 5), line(4, 0), np.array([2.0, 1.0]))
    assert labels.hit.tolist() == [True, False]
    assert (~(labels.hit | labels.ignored)).tolist() == [False, True]


def test_an_earlier_candidate_makes_room_for_a_later_one():
    # The first candidate is nearest to truth 5, but must move to truth 0 when the second can only take 5.
    labels = label_all(line(0, 5), same(2, 4), line(3, 9), np.array([2.0, 1.0]))
    assert labels.hit.tolist() == [True, True]
    assert labels.truth.tolist() == [0, 1]


def test_duplicates_are_false_alarms():
    labels = label_all(line(0), same(1, 5), line(0, 1, 2), np.array([3.0, 2.0, 1.0]))
    assert labels.hit.tolist() == [True, False, False]
    assert (~(labels.hit | labels.ignored)).tolist() == [False, True, True]


def test_candidates_on_a_spot_nobody_could_see_count_as_nothing():
    labels = label(
        line(0, 100),
        same(2, 5),
        ignored=np.array([True, False]),
        spots_xy=line(0, 1, 100, 50),
        score=np.array([4.0, 3.0, 2.0, 1.0]),
    )
    assert labels.hit.tolist() == [False, False, True, False]
    assert labels.ignored.tolist() == [True, True, False, False]
    assert (~(labels.hit | labels.ignored)).tolist() == [False, False, False, True]
    assert labels.truth.tolist() == [-1, -1, 1, -1]


def test_a_counted_spot_claims_its_candidate_before_an_ignored_one_does():
    labels = label(
        line(0, 2),
        same(2, 5),
        ignored=np.array([True, False]),
        spots_xy=line(0, 2.5),
        score=np.array([2.0, 1.0]),
    )
    # The surer candidate takes the counted truth; the other lies in the ignored one's gate.
    assert labels.hit.tolist() == [True, False]
    assert labels.ignored.tolist() == [False, True]


def test_of_equal_scores_the_nearer_is_the_hit():
    assert label_all(line(0), same(1, 5), line(4, 1), same(2, 7)).hit.tolist() == [False, True]


def test_reported_pairs_are_the_nearest_and_never_share_a_truth():
    rng = np.random.default_rng(3)
    for _ in range(60):
        truths, radius, spots = random_case(rng)
        labels = label_all(truths, radius, spots, rng.normal(size=len(spots)))
        assert (labels.truth >= 0).tolist() == labels.hit.tolist()
        paired = labels.truth[labels.hit]
        assert len(set(paired.tolist())) == len(paired)
        assert paired.tolist() == dense_match(truths, radius, spots[labels.hit]).tolist()


def test_labels_do_not_depend_on_the_order_of_the_candidates():
    rng = np.random.default_rng(4)
    truths, radius, spots = random_case(rng, truths=12, spots=80)
    score = rng.integers(0, 4, len(spots)).astype(float)
    shuffle = rng.permutation(len(spots))
    one = label_all(truths, radius, spots, score)
    other = label_all(truths, radius, spots[shuffle], score[shuffle])
    assert one.hit[shuffle].tolist() == other.hit.tolist()
    assert one.truth[shuffle].tolist() == other.truth.tolist()


@pytest.mark.parametrize(("n", "m"), [(0, 0), (0, 3), (3, 0)])
def test_labels_of_nothing_keep_their_shape(n, m):
    labels = label_all(np.zeros((n, 2)), np.zeros(n), np.zeros((m, 2)), np.zeros(m))
    assert labels.hit.shape == labels.ignored.shape == labels.truth.shape == (m,)
    assert not (labels.hit | labels.ignored).any()


def test_wrong_input_is_named():
    with pytest.raises(ValueError, match=r"spots_xy must have shape \(count, 2\), not \(3,\)"):
        match(line(0), same(1, 3), spots_xy=np.zeros(3))
    with pytest.raises(ValueError, match="spots_xy must be finite"):
        match(line(0), same(1, 3), spots_xy=line(np.nan))
    with pytest.raises(ValueError, match=r"truth_radius_px must have shape \(1,\)"):
        match(line(0), same(2, 3), spots_xy=line(0))
    with pytest.raises(ValueError, match="not negative"):
        match(line(0), same(1, -3), spots_xy=line(0))
    with pytest.raises(ValueError, match="score must be finite"):
        label_all(line(0), same(1, 3), line(0), np.array([np.nan]))
