"""What is painted in bands of rows is to the bit what would be painted at once."""

import numpy as np
import pytest

from moteyard.generators.backgrounds import base, bent, canvas, noise, piles, room, tiles
from moteyard.generators.backgrounds.bent import bent_field, bent_rows
from moteyard.generators.backgrounds.noise import Spectrum, field, field_rows
from moteyard.generators.backgrounds.raster import CACHED_SAMPLES, mix, smoothstep
from moteyard.generators.backgrounds.view import View

from .test_backgrounds import KINDS, build, painted

SHAPE = (301, 443)
TILED = ("snow", "scrub", "rock", "water", "wall")
PARTS = (slice(0, 7), slice(5, 131), slice(130, 301), slice(300, 301))


def rng():
    return np.random.default_rng(6)


@pytest.mark.parametrize("finest", [8.0, 16.0, 40.0])
def test_rows_of_a_smooth_field_are_those_of_its_plane(finest):
    spectrum = Spectrum(1.8, 200.0, finest, 1.5, 30.0)
    plane, rows = field(SHAPE, spectrum, rng()), field_rows(SHAPE, spectrum, rng())
    assert plane.shape == SHAPE
    assert all(np.array_equal(rows(part), plane[part]) for part in PARTS)


@pytest.mark.parametrize("finest", [2.0, 12.0])
@pytest.mark.parametrize("view", [None, View(0.7, 1.4)])
def test_rows_of_a_bent_field_are_those_of_its_plane(finest, view):
    spectrum = Spectrum(1.8, 200.0, finest, 1.5, 30.0)
    plane = bent_field(SHAPE, spectrum, rng(), bend_px=90.0, view=view)
    rows = bent_rows(SHAPE, spectrum, rng(), bend_px=90.0, view=view)
    assert all(np.array_equal(rows(part), plane[part]) for part in PARTS)


@pytest.mark.parametrize(("name", "kind"), KINDS)
def test_the_height_of_the_bands_does_not_show_in_a_ground(name, kind, monkeypatch):
    shape = (500, 333)
    usual = painted(build(name, kind), shape)
    monkeypatch.setattr(canvas, "BAND_PX", 64)  # a part of every texture's stride
    assert np.array_equal(painted(build(name, kind), shape), usual)


@pytest.mark.parametrize(
    ("name", "kind"), [each for each in KINDS if each[0] in ("snow", "scrub", "rock", "water", "wall")]
)
def test_nor_does_it_where_a_ground_is_laid_from_tiles(name, kind, monkeypatch):
    for module in (bent, noise, piles):
        monkeypatch.setattr(module, "WHOLE_SAMPLES", 100)
    for module in (base, tiles):
        monkeypatch.setattr(module, "WIDE_SAMPLES", 100)
    shape = (1701, 157)  # across a seam of every tile
    usual = painted(build(name, kind), shape)
    monkeypatch.setattr(canvas, "BAND_PX", 64)
    assert np.array_equal(painted(build(name, kind), shape), usual)
    assert usual.min() >= 0
    assert np.isfinite(usual).all()


@pytest.mark.parametrize(("name", "kind"), KINDS)
@pytest.mark.parametrize("shape", [(1, 1), (2, 3), (31, 17)])
def test_the_smallest_frames_are_painted_whatever_lay_in_their_memory(name, kind, shape, monkeypatch):
    usual = painted(build(name, kind), shape).copy()
    even = tuple(side + side % 2 for side in shape)
    monkeypatch.setattr(room, "_spare", [np.full((*even, 3), np.nan, np.float32)])
    assert np.array_equal(painted(build(name, kind), shape), usual)
    assert usual.dtype == np.float32
    assert usual.min() >= 0


def test_arithmetic_in_the_cache_is_the_formula():
    values = np.random.default_rng(1).normal(0, 1, (3 * CACHED_SAMPLES // 500, 500)).astype(np.float32)
    first, second = (np.random.default_rng(seed).random((3, *values.shape), dtype=np.float32) for seed in (2, 3))
    t = np.clip((values.astype(float) + 0.5) / 1.5, 0, 1)
    step = smoothstep(values, -0.5, 1.0)
    np.testing.assert_allclose(step, 3 * t**2 - 2 * t**3, atol=1e-6)
    assert np.array_equal(smoothstep(values[:, 7], -0.5, 1.0), step[:, 7])
    assert np.array_equal(mix(first, second, step), step * (second - first) + first)
    colour, row = second[:, :1, :1], step[:, :1]
    assert np.array_equal(mix(colour, first, step), step * (first - colour) + colour)
    assert np.array_equal(mix(colour, 2 * colour, row), row * (2 * colour - colour) + colour)


def test_light_is_cut_off_below_nothing_and_left_to_the_camera_above_one():
    planes = np.random.default_rng(2).normal(0.5, 0.8, (3, 60, 70)).astype(np.float32)
    light = canvas.full_size(planes, (120, 139), rng())
    assert light.max() > 1.5
    assert light.min() == 0
