"""Pairs of pictures that differ by faint shadows alone: what is laid on is what a camera would have seen."""

import dataclasses

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from moteyard.bench.handover import photograph  # noqa: E402
from moteyard.bench.training.example import example  # noqa: E402
from moteyard.bench.training.recipe import Recipe  # noqa: E402
from moteyard.bench.training.stamps import stamps  # noqa: E402
from moteyard.detectors.network import lessons, twins  # noqa: E402
from moteyard.detectors.network.evidence_target import (  # noqa: E402
    ACROSS,
    PHASES,
    PLACE,
    PLANES,
    REACH,
    SIZES,
    SIZES_UM,
    STAMP_PX,
    TOGETHER,
    TWINNED,
    VARIANTS,
    WEIGHT,
    WIDEST_PX,
)
from moteyard.detectors.network.features import features, views  # noqa: E402
from moteyard.detectors.network.model import Network  # noqa: E402
from moteyard.detectors.network.training import Course, Going, Learner  # noqa: E402
from moteyard.detectors.network.twin_pool import TwinPool  # noqa: E402
from moteyard.generators.camera import Camera  # noqa: E402
from moteyard.generators.contamination import Share, State  # noqa: E402
from moteyard.generators.optics import Optics  # noqa: E402
from moteyard.generators.particles import Even, Grain  # noqa: E402
from moteyard.generators.scene import Scene, render, scene_seed  # noqa: E402

RNG = np.random.default_rng(8)


@dataclasses.dataclass(frozen=True)
class Laid:
    """Grains of one size in given places of the filter."""

    places: tuple[tuple[float, float], ...]
    diameter_um: float

    def scatter(self, width_mm, height_mm, rng):
        return tuple(Grain(x, y, self.diameter_um) for x, y in self.places)


def scene(population):
    return Scene(
        name="wall",
        background="wall",
        optics=Optics(f_number=11, exit_pupil_mm=1e4),
        camera=Camera(width_px=480, height_px=320, jpeg_quality=None),
        population=population,
        seed=scene_seed(5, "develop", "twins"),
    )


class TestStamps:
    def test_centres_lie_in_the_middle_place_and_larger_grains_take_more(self):
        made = scene(Even(400, 14.0, 100.0))
        (view,) = views(photograph(render(made, measured=False)), widest_px=WIDEST_PX)
        depth = 1 - np.exp(stamps(made, view, np.random.default_rng(1)).astype(float))
        assert depth.shape == (TWINNED, VARIANTS, STAMP_PX, STAMP_PX)
        steps = np.arange(STAMP_PX)
        total = depth.sum(axis=(2, 3))
        row = (depth.sum(axis=3) * steps).sum(axis=2) / total
        middle = REACH * PLACE + (PLACE - 1) / 2
        assert np.abs(row - middle).max() < PLACE / 2 + 0.1
        assert np.ptp(row[2]) > 0.5  # somewhere in it, not always in the same spot
        # Light is kept but for what the grain stops: ∫(1 − T) is the grain's area (in the network's pixels).
        area = np.pi / 4 * np.array(SIZES_UM[:TWINNED]) ** 2 / (made.optics.pixel_um * view.step) ** 2
        assert total.mean(axis=1) == pytest.approx(area, rel=0.15)

    def test_a_population_without_faint_grains_is_refused(self):
        made = scene(State("coarse", (Share("grain", 40.0, ranges=(("diameter_um", 80.0, 90.0),)),)))
        (view,) = views(photograph(render(made, measured=False)), widest_px=WIDEST_PX)
        with pytest.raises(ValueError, match="no grains of some size"):
            stamps(made, view, np.random.default_rng(1))


def test_a_shadow_laid_on_is_the_shadow_that_a_camera_records():
    diameter, pitch_mm = 28.0, 0.006
    # Grains whose centres lie on the frame's pixels, so far apart that the mean around them hardly feels them.
    pixels = [(x, y) for x in range(60, 440, 90) for y in range(60, 280, 100)]
    dusty = scene(Laid(tuple(((x - 239.5) * pitch_mm, (y - 159.5) * pitch_mm) for x, y in pixels), diameter))
    shots = [
        photograph(render(dataclasses.replace(dusty, population=each), measured=False))
        for each in (dusty.population, Laid((), diameter))
    ]
    (view,) = views(shots[0], widest_px=WIDEST_PX)
    with_, without = (torch.from_numpy(features(shot, view))[None] for shot in shots)
    log = np.zeros((1, shots[0].shape[0], shots[0].shape[1]))
    for x, y in pixels:
        shadow = Grain(0.0, 0.0, diameter).shadow(dusty.optics, x=float(x), y=float(y))
        half = shadow.transmission.shape[1] // 2
        log[0, y - half : y + half + 1, x - half : x + half + 1] += np.log(1 - shadow.depth)
    step = view.step
    shrunk = np.exp(log).reshape(1, log.shape[1] // step, step, log.shape[2] // step, step).mean(axis=(2, 4))
    laid = twins.laid_on(without, torch.from_numpy(np.log(shrunk)).float())
    for plane in (0, 3, 6):
        change, told = (with_ - without)[0, plane], (laid - without)[0, plane]
        slope = ((change * told).sum() / (told * told).sum()).item()
        assert slope == pytest.approx(1, abs=0.03)
        assert (change - told).std() < 0.3 * change.std()
    assert torch.equal(laid[:, 4:6], without[:, 4:6])


def test_pairs_cost_least_at_true_likelihood_ratios():
    # A shadow lowers one number by d; in Gaussian noise ln p(x | shadow) − ln p(x | none) = d·x − d²/2.
    shape = (8 * TOGETHER, PHASES, 24, 24)
    kinds = torch.from_numpy((RNG.random(shape) < 0.02).astype(np.float32))
    planes = torch.zeros(shape[0], PLANES + PHASES, *shape[2:])
    planes[:, WEIGHT] = 1.0
    planes[:, twins.TWIN] = kinds.unflatten(0, (-1, TOGETHER))[:, :1].expand(-1, TOGETHER, -1, -1, -1).flatten(0, 1)
    d = 0.7
    x = torch.from_numpy(RNG.normal(size=shape).astype(np.float32))

    def cost(slope, offset):
        said = []
        for seen in (x, x + d * planes[:, twins.TWIN]):
            answer = torch.zeros(shape[0], SIZES, *shape[1:])
            answer[:, 0] = slope * (d * seen - d * d / 2) + offset
            said.append(answer)
        return twins.twins_told(*said, planes).item()

    best = cost(1.0, 0.0)
    for slope, offset in ((0.7, 0.0), (1.3, 0.0), (1.0, 0.15), (1.0, -0.15)):
        assert best < cost(slope, offset)
    # What is gained is the information, E₁[ln p₁/p₀] = d²/2 nats, less what the bend takes; of eight eight times that.
    assert cost(0.0, 0.0) == pytest.approx(0, abs=1e-3)


def test_what_is_drawn_has_its_shadows_where_the_target_says():
    recipe = Recipe(width_px=600, height_px=400, lesson="twins")
    made = example(recipe, 1)
    pool = TwinPool(torch.device("cpu"), 32)
    pool.add((made.shown, made.wanted, made.stamps))
    shown, wanted = pool.draw(TOGETHER, np.random.default_rng(3))
    shown = shown.unflatten(0, (-1, twins.SHOWN)).float()
    flat = torch.nn.functional.pixel_shuffle(wanted[:, twins.TWIN].float(), ACROSS)[:, 0]
    assert all(torch.equal(flat[0], each) for each in flat)  # the same in all, as in a roll
    darker = (shown[:, 1, 6] - shown[:, 2, 6]).mean(dim=0)  # on the grid of places
    assert darker[flat[0] >= 4].mean() > 5 * darker[flat[0] == 0].mean() > 0


@pytest.mark.parametrize("way", [1, 4, 7])
def test_pairs_turn_together(way):
    planes = torch.from_numpy(RNG.random((8, PLANES + PHASES, 4, 4)).astype(np.float32))
    shown = torch.zeros(24, 9, 8, 8)
    _, turned = lessons.turned_twins(shown, planes, way)
    _, usual = lessons.turned_grains(shown, planes[:, :PLANES], way)
    _, laid = lessons.turned_grains(shown, torch.cat([planes[:, twins.TWIN], planes[:, PHASES:PLANES]], dim=1), way)
    assert torch.equal(turned[:, :PLANES], usual)
    assert torch.equal(turned[:, twins.TWIN], laid[:, :PHASES])


def test_a_course_begins_with_the_mean_of_the_networks_it_is_given(tmp_path):
    small = dataclasses.replace(lessons.TWINS, network=lambda: Network((0.0,) * (SIZES * PHASES), (4, 4, 4, 4)))
    states = []
    for seed in (1, 2):
        torch.manual_seed(seed)
        states.append(small.network().state_dict())
        torch.save({"mean": states[-1]}, tmp_path / f"{seed}.pt")
    course = Course(small, steps=1, batch=TOGETHER, crop_cells=32)
    going = Going(tmp_path / "state.pt", start=[tmp_path / "1.pt", tmp_path / "2.pt"])
    pool = TwinPool(torch.device("cpu"), 32)
    begun = Learner(pool, course, going).mean_network().state_dict()
    for name, value in begun.items():
        assert torch.allclose(value, (states[0][name] + states[1][name]) / 2, atol=1e-7)
    torch.save({"mean": Network((0.0,) * 4).state_dict()}, tmp_path / "2.pt")
    with pytest.raises(ValueError, match="different shapes"):
        Learner(pool, course, going)
