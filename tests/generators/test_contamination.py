"""States of a filter: every number sourced, drawn as written, kept in JSON, refused with a sentence."""

import collections
import json
from dataclasses import asdict
from importlib import resources

import numpy as np
import pytest
from scipy import stats

from moteyard.generators.contamination import KINDS, dust_from, read_state, state_names
from moteyard.generators.contamination.state import Share, State, Wipe
from moteyard.generators.particles import CLEANED_SLOPE, Population

SIZE = (7.2, 4.8)


def drawn(state, frames=400, seed=1):
    rng = np.random.default_rng(seed)
    return [state.scatter(*SIZE, rng) for _ in range(frames)]


@pytest.mark.parametrize("name", ["after-wet-clean", "cleaned", "dry-grit", "field-day"])
def test_every_number_of_a_state_has_a_source(name):
    text = (resources.files("moteyard.generators.contamination") / f"{name}.toml").read_text(encoding="utf-8")
    for line in text.splitlines():
        if "=" in line.partition("#")[0] and not line.startswith(("name", "summary")):
            assert len(line.partition("#")[2].strip()) > 8, line
    assert name in state_names()


@pytest.mark.parametrize("name", ["after-wet-clean", "dry-grit", "field-day"])
def test_counts_are_poisson_about_the_files_means(name):
    state = read_state(name)
    frames = drawn(state)
    for share in state.shares:
        counts = np.array([sum(p.kind == share.kind for p in frame) for frame in frames])
        spread = np.sqrt(share.mean_count / len(frames))
        assert counts.mean() == pytest.approx(share.mean_count, abs=4 * spread)
        # The variance of a Poisson's sample variance is (μ + 2μ²)/n.
        assert counts.var() == pytest.approx(
            share.mean_count, abs=4 * np.sqrt((share.mean_count + 2 * share.mean_count**2) / len(frames))
        )


@pytest.mark.parametrize("name", ["after-wet-clean", "dry-grit", "field-day"])
def test_fields_stay_in_their_ranges_and_fill_them(name):
    state = read_state(name)
    everything = collections.defaultdict(list)
    for frame in drawn(state):
        for particle in frame:
            everything[particle.kind].append(particle)
    for share in state.shares:
        for field, low, high in share.ranges:
            values = np.array([getattr(p, field) for p in everything[share.kind]])
            assert values.min() >= low
            assert values.max() <= high
            even = (
                (np.log(values / low) / np.log(high / low))
                if field.endswith("_um") and low
                else ((values - low) / (high - low))
            )
            assert stats.kstest(even, "uniform").pvalue > 1e-3, (share.kind, field)


def test_a_cleaned_surface_follows_the_standard():
    # Level 300 of IEST-STD-CC1246: 25190 grains ≥ 15 µm on 0.1 m², hence 8.7 on 7.2×4.8 mm; 100 µm and more: 95.
    state = read_state("cleaned")
    frames = drawn(state)
    large = np.array([sum(p.diameter_um >= 15 for p in frame) for frame in frames])
    assert large.mean() == pytest.approx((25190 - 95) * 34.56 / 1e5, rel=0.06)
    law = Population(level=300, slope=CLEANED_SLOPE, smallest_um=10, largest_um=100)
    assert np.mean([len(frame) for frame in frames]) == pytest.approx(law.expected(34.56), rel=0.05)


def test_a_wipe_gathers_grains_along_its_direction():
    share = Share("grain", 200.0, 1.0, (), Population(smallest_um=10))
    state = State("streaks", (share,), Wipe(streaks=2, width_mm=0.1, angle_low_deg=30, angle_high_deg=30))
    (frame,) = drawn(state, frames=1)
    x, y = np.array([(p.x_mm, p.y_mm) for p in frame]).T
    across = y * np.cos(np.pi / 6) - x * np.sin(np.pi / 6)
    # Two narrow heaps across the wipe: within each the spread is the streak's, not the filter's.
    cut = np.sort(across)[np.argmax(np.diff(np.sort(across)))]
    heaps = across[across <= cut], across[across > cut]
    assert all(heap.std() < 0.2 for heap in heaps)
    assert across.std() > 0.3
    assert (np.abs(x) < SIZE[0] / 2).all()
    assert (np.abs(y) < SIZE[1] / 2).all()


def test_overrides_replace_single_keys():
    plain, more = read_state("field-day"), read_state("field-day", {"fibre": {"mean_count": 7, "width_um": 12}})
    assert {s.kind: s.mean_count for s in more.shares}["fibre"] == 7
    assert ("width_um", 12.0, 12.0) in {s.kind: s.ranges for s in more.shares}["fibre"]
    assert [s for s in more.shares if s.kind != "fibre"] == [s for s in plain.shares if s.kind != "fibre"]


@pytest.mark.parametrize("name", ["after-wet-clean", "cleaned", "dry-grit", "field-day"])
def test_json_round_trip(name):
    state = read_state(name)
    assert dust_from(json.loads(json.dumps(asdict(state)))) == state
    assert dust_from(asdict(Population(level=100))) == Population(level=100)


def test_a_state_of_ones_own(tmp_path):
    file = tmp_path / "mine.toml"
    file.write_text('name = "mine"\n[ring]\nmean_count = 2\nradius_um = [50, 60]\n', encoding="utf-8")
    assert read_state(str(file)).shares[0].ranges == (("radius_um", 50.0, 60.0),)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[ring", r"mine\.toml is not valid TOML"),
        ("[rong]", r"mine\.toml: unknown key 'rong'; did you mean 'ring'\?"),
        ("[ring]\nradius = 5", r"mine\.toml, \[ring\]: unknown key 'radius'; did you mean 'radius_um'"),
        ("[ring]\nradius_um = 'big'", r"\[ring\]: key 'radius_um' must be a number, not 'big'"),
        ("[ring]\nradius_um = [1, 2, 3]", r"\[ring\]: key 'radius_um' must be a number or two"),
        ("[ring]\nradius_um = [60, 50]\nmean_count = 1", r"\[ring\]: key 'radius_um' must rise, not from 60"),
        ("[ring]\nradius_um = 50", r"\[ring\]: mean_count is missing"),
        ("[ring]\nmean_count = 1", r"\[ring\]: key 'radius_um' is missing"),
        ("[ring]\nmean_count = -1\nradius_um = 50", r"\[ring\]: mean_count must be a number of at least 0"),
        ("[ring]\nmean_count = 1\nradius_um = [5, 50]\nwidth_um = 9", r"\[ring\]: Ring\.width_um must not exceed"),
        ("[ring]\nmean_count = 1\nradius_um = 50\nalong_wipe = 0.5", r"mine\.toml: along_wipe needs a table \[wipe\]"),
        ("[grain]\nsmallest_um = 50\nlargest_um = 20", r"\[grain\]: Population needs 1 ≤ smallest_um < largest_um"),
        ("[grain]\n[wipe]\nstreaks = 2.5\nwidth_mm = 1", r"\[wipe\]: streaks must be a whole number"),
        ("[grain]\n[wipe]\nstreaks = 2", r"\[wipe\]: key 'width_mm' is missing"),
        ("ring = 3", r"mine\.toml: 'ring' must be a table of keys, not 3"),
        ("", r"mine\.toml: give at least one table of grain, fibre"),
    ],
)
def test_malformed_states_are_named(tmp_path, text, message):
    file = tmp_path / "mine.toml"
    file.write_text(f'name = "mine"\n{text}', encoding="utf-8")
    with pytest.raises(ValueError, match=message):
        read_state(str(file))


def test_unknown_states_are_answered_with_the_known():
    with pytest.raises(ValueError, match="unknown state 'field-dey'; did you mean 'field-day'"):
        read_state("field-dey")
    with pytest.raises(ValueError, match=r"no state file at gone\.toml; known states are after-wet-clean"):
        read_state("gone.toml")


def test_each_kind_is_reachable():
    held = {share.kind for name in state_names() for share in read_state(name).shares}
    assert held == set(KINDS)
