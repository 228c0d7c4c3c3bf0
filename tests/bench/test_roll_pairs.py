"""Two grains closer than a shadow is wide: a roll takes them for one until it is mended and looked at again."""

from dataclasses import replace

import numpy as np
import pytest

from moteyard.bench.handover import photograph
from moteyard.bench.retouch.roll_pairs import settled
from moteyard.detectors.consensus_study import Study
from moteyard.detectors.network.together import study_together
from moteyard.generators.backgrounds import make
from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Grain
from moteyard.generators.scene import Scene, exposed, scene_seed
from moteyard.generators.truth import Placed, cast_all

LIMIT = 9.0
CAMERA = Camera(width_px=480, height_px=320, jpeg_quality=92)
OPTICS = Optics(f_number=11)


def roll_of(*grains, photographs=6, camera=CAMERA, pupils_mm=(60.0,)):
    """Photographs of as many skies with the same grains, by lenses in turn, and where grains lie in the last one."""
    shots = []
    for number in range(photographs):
        seed = scene_seed(3, "develop", f"pairs/{number}")
        optics = replace(OPTICS, exit_pupil_mm=pupils_mm[number * len(pupils_mm) // photographs])
        scene = Scene(name=f"{number}", background="sky", camera=camera, optics=optics, seed=seed)
        ground, _, noise, _ = scene.generators()
        clean = make("sky", {"kind": "clear"}).paint(scene.shape, ground)
        casts = cast_all([Placed(n, grain) for n, grain in enumerate(grains)], optics, scene.shape)
        shots.append(photograph(exposed(scene, clean, casts, rng=noise, distractors=())))
    return shots, [(cast.shadow.x, cast.shadow.y) for cast in casts]


def at(x_px, y_px, diameter_um):
    pitch = OPTICS.pixel_um / 1000 / OPTICS.magnification
    return Grain((x_px - 239.5) * pitch, (y_px - 159.5) * pitch, diameter_um)


@pytest.fixture(scope="module")
def pair():
    # 1 mm / 11 is 15 pixels wide: these lie 9 apart.
    shots, places = roll_of(at(150, 150, 34), at(158, 154, 30), at(350, 100, 40))
    return shots, places, study_together(shots)


def nearest(study, place):
    return min(np.hypot(grain.x - place[0], grain.y - place[1]) for grain in study.grains)


def test_one_look_sees_one_grain_between_the_two(pair):
    _, places, whole = pair
    sure = Study(tuple(grain for grain in whole.grains if grain.score > LIMIT), whole.magnifications, whole.likeness)
    assert len(sure.grains) == 2
    assert nearest(sure, places[2]) < 2


def test_looked_at_again_both_are_there_and_mostly_with_their_sizes():
    rng, right = np.random.default_rng(11), 0
    for _ in range(8):
        angle, apart = rng.uniform(0, 2 * np.pi), rng.uniform(8, 11)  # of a width of 15
        x, y = rng.uniform(140, 200), rng.uniform(120, 180)
        diameters = [*rng.uniform(26, 40, size=2), 40.0]
        other = at(x + apart * np.cos(angle), y + apart * np.sin(angle), diameters[1])
        shots, places = roll_of(at(x, y, diameters[0]), other, at(350, 100, 40))
        study, sizes = settled(shots, study_together(shots), limit=LIMIT, filter_distance_mm=1.0)
        assert len(study.grains) == 3
        fitted = np.array([(grain.x, grain.y) for grain in study.grains]) + sizes.shift
        away = np.hypot(*(fitted[:, None] - np.array(places)).T)
        nearest_one = away.argmin(axis=1)
        well_placed = away.min(axis=1).max() < 1.5
        right += well_placed and sizes.diameter_um[nearest_one] == pytest.approx(diameters, rel=0.1)
    assert right >= 5


def test_grains_that_lie_alone_are_not_doubled():
    shots, places = roll_of(at(120, 100, 60), at(300, 200, 28), at(400, 80, 90))
    whole = study_together(shots)
    study, _ = settled(shots, whole, limit=LIMIT, filter_distance_mm=1.0)
    assert len(study.grains) == 3
    assert all(nearest(study, place) < 3 for place in places)  # a place of the grid is 4 pixels wide


def test_the_lens_of_each_photograph_is_remembered_when_the_grains_are_gone():
    # Two lenses whose shadows lie 1.3 % of the radius apart: 7 pixels near the corners, where the pair is.
    camera = replace(CAMERA, width_px=960, height_px=640)
    ring = [(90, 80), (870, 100), (120, 560), (480, 60), (700, 320), (300, 330), (820, 430), (200, 200), (520, 500)]
    lone = [at(x - 240, y - 160, 45) for x, y in ring]
    shots, _ = roll_of(
        *lone, at(640, 410, 40), at(648, 414, 36), photographs=10, camera=camera, pupils_mm=(45.0, 120.0)
    )
    whole = study_together(shots)
    assert whole.magnifications[-1] == pytest.approx(0.987, abs=0.002)
    study, _ = settled(shots, whole, limit=LIMIT, filter_distance_mm=1.0)
    assert len(study.grains) == len(lone) + 2
    assert {(grain.first, grain.last) for grain in study.grains} == {(0, 9)}


def test_nothing_found_nothing_to_look_at_again():
    shots, _ = roll_of(at(150, 150, 34), photographs=2)
    study, sizes = settled(shots, Study((), (1.0, 1.0), (0.0, 0.0)), limit=LIMIT)
    assert study.grains == ()
    assert len(sizes.diameter_um) == 0
