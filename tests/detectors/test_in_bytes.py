"""The evidence network between bytes: the same as in single precision, but for rounding."""

import dataclasses

import numpy as np
import pytest
from scipy.signal import correlate

from moteyard.bench.handover import photograph
from moteyard.bench.training import between_bytes, rounding
from moteyard.detectors.contract import Photograph
from moteyard.detectors.network import evidence, in_bytes, runtime
from moteyard.detectors.network.evidence_target import WIDEST_PX
from moteyard.detectors.network.features import View, blank_cells, features, views
from moteyard.detectors.network.together import INTEGERS, SINGLE
from moteyard.generators.camera import Camera
from moteyard.generators.optics import Optics
from moteyard.generators.particles import Population
from moteyard.generators.scene import Scene, render, scene_seed


@pytest.fixture(scope="module")
def shot():
    scene = Scene(
        name="rock",
        background="rock",
        optics=Optics(f_number=11),
        camera=Camera(width_px=648, height_px=424, jpeg_quality=92),
        population=Population(smallest_um=30.0, mean_count=30.0),
        seed=scene_seed(7, "develop", "bytes"),
    )
    return photograph(render(scene, measured=False))


class TestWhatItIsShown:
    @pytest.mark.parametrize("step", [1, 2, 4])
    def test_the_features_rounded(self, shot, step):
        view = View(step=step, pupil_px=7.4)
        expected = in_bytes.packed(features(shot, view)).astype(int)
        rows, columns = expected.shape[:2]
        found, _ = in_bytes.shown_in_bytes(shot, view)
        apart = np.abs(found[:rows, :columns] - expected)
        assert apart.max() <= 1  # at the edge between two bytes, by another order of the same sums
        assert np.mean(apart > 0) < 1e-3
        assert np.all(found[rows:] == in_bytes.NOTHING)
        assert np.all(found[:, columns:] == in_bytes.NOTHING)
        assert (found.shape[0] // 2 % 4, found.shape[1] % 4) == (0, 0)

    def test_of_an_unknown_f_number_nothing(self, shot):
        found, _ = in_bytes.shown_in_bytes(shot, View(step=2, pupil_px=None))
        assert np.all(found[..., 14:] == in_bytes.NOTHING)

    def test_the_same_cells_are_blank(self, shot):
        pixels = shot.pixels.copy()
        pixels[:80, :120], pixels[200:300, 50:90] = 255, 0
        shot, view = dataclasses.replace(shot, pixels=pixels), View(step=2, pupil_px=7.4)
        _, blank = in_bytes.shown_in_bytes(shot, view)
        assert blank.sum() >= 10 * 15 + 12 * 4
        np.testing.assert_array_equal(blank, blank_cells(features(shot, view)))

    def test_no_light_has_more_contrast_than_bytes_hold(self):
        pixels = np.full((256, 256, 3), 255, np.uint8)
        pixels[120:136, 120:136] = 0
        found, _ = in_bytes.shown_in_bytes(Photograph(pixels), View(step=1, pupil_px=8.0))
        expected = features(Photograph(pixels), View(step=1, pupil_px=8.0))
        apart = np.abs(in_bytes.unpacked(found) - expected).max(axis=(1, 2))
        assert expected[0].min() < -5  # ln 1e-4 through asinh(20 c)
        assert np.all(apart < 0.51 / in_bytes.PER_UNIT)

    @pytest.mark.parametrize(("pupil_px", "byte"), [(2.6, 0), (3.5, 0), (8.0, 128), (16.0, 255), (50.0, 255)])
    def test_pupils_beyond_what_bytes_hold_are_the_nearest_that_they_do(self, shot, pupil_px, byte):
        view = View(step=2, pupil_px=pupil_px)
        found, _ = in_bytes.shown_in_bytes(shot, view)
        expected = in_bytes.packed(features(shot, view))
        assert np.all(expected[..., 14] == byte)
        assert np.all(found[: expected.shape[0], : expected.shape[1], 14] == byte)

    def test_no_colour_turns_into_its_opposite(self):
        pixels = np.zeros((256, 256, 3), np.uint8)
        pixels[..., 0] = 255
        pixels[120:132, 120:132] = 0, 255, 0  # ln of red over green is −9 here and 9 around
        found, _ = in_bytes.shown_in_bytes(Photograph(pixels), View(step=1, pupil_px=8.0))
        expected = features(Photograph(pixels), View(step=1, pupil_px=8.0))[4]
        red = in_bytes.unpacked(found)[4]
        assert expected.min() < -6.5
        assert red.min() == -6.0
        assert np.all(np.abs(red - np.clip(expected, -6, 6)) < 0.51 / in_bytes.CONTRAST + 1e-6)


class TestWhatItSays:
    def test_words_survive_their_bytes(self):
        word = np.linspace(evidence.LEAST, evidence.MOST, 1001, dtype=np.float32)[None]
        kept = in_bytes.words(in_bytes.words_in_bytes(word))
        assert np.abs(kept - word).max() <= 0.5 / in_bytes.SAID_PER_UNIT + 1e-6
        assert in_bytes.words(in_bytes.words_in_bytes(np.array([[0.0, -50.0, 50.0]], np.float32))).tolist() == [
            [0.0, evidence.LEAST, evidence.MOST]
        ]

    def test_strips_make_no_difference(self, shot):
        (view,) = views(shot, widest_px=WIDEST_PX)
        shown, _ = in_bytes.shown_in_bytes(shot, view)
        forward = in_bytes.network_in_bytes(INTEGERS if runtime.HAS_ONNXRUNTIME else SINGLE)
        whole = in_bytes.said_in_bytes(shown, forward, strip=4096)
        assert whole.shape == (40, shown.shape[0] // 2, shown.shape[1])
        for strip in (4, 24):
            apart = in_bytes.said_in_bytes(shown, forward, strip=strip).astype(int) - whole
            assert np.abs(apart).max() <= (0 if runtime.HAS_ONNXRUNTIME else 1)

    def test_bytes_say_what_single_precision_does(self, shot):
        pytest.importorskip("onnxruntime")
        (view,) = views(shot, widest_px=WIDEST_PX)
        exact = runtime.answers(features(shot, view), runtime.by_onnxruntime(SINGLE.read()))
        exact = np.clip(exact, evidence.LEAST, evidence.MOST)
        shown, blank = in_bytes.shown_in_bytes(shot, view)
        said = in_bytes.said_in_bytes(shown, in_bytes.network_in_bytes(INTEGERS))[:, : blank.shape[0], : blank.shape[1]]
        apart = np.stack([in_bytes.words(np.ascontiguousarray(plane)) for plane in said]) - exact
        assert np.sqrt(np.mean(apart**2)) < 0.2
        assert abs(apart.mean()) < 0.03
        assert np.quantile(np.abs(apart[exact > 2]), 0.9) < 0.8


class TestHowItIsMade:
    def test_pairs_of_pixels_are_filtered_like_pixels(self):
        # Against scipy's correlation of each feature; values that bytes hold exactly.
        random = np.random.default_rng(1)
        planes = np.rint(random.normal(size=(9, 12, 16)) * 20) / in_bytes.PER_UNIT[:, None, None]
        planes[7:] = planes[7:, :1, :1]
        kernel = random.normal(size=(3, 9, 3, 3))
        expected = [sum(correlate(p, k, mode="same") for p, k in zip(planes, each, strict=True)) for each in kernel]
        shown = in_bytes.packed(planes.astype(np.float32)).astype(float) - in_bytes.NOTHING
        for pixel in (0, 1):
            woven = between_bytes.in_pairs(kernel, pixel)
            found = [
                sum(correlate(shown[..., lane], each[lane], mode="same") for lane in range(in_bytes.LANES))
                for each in woven
            ]
            np.testing.assert_allclose(found, np.stack(expected)[:, :, pixel::2], atol=1e-3)

    def test_rounding_by_what_goes_together_changes_sums_less(self):
        random = np.random.default_rng(2)
        inputs = random.normal(size=(5000, 1)) * 3 + random.normal(size=(5000, 40))
        rows = random.normal(size=(6, 40)) * 4
        rows[:, 7] = 0
        inputs[:, -1] = 1  # what the last weight is multiplied by: an offset, which stays as it is
        found = rounding.well_rounded(rows, inputs.T @ inputs / len(inputs))
        assert np.all(found[:, :-1] == np.rint(found[:, :-1]))
        assert np.all(found[:, 7] == 0)
        error, nearest = (np.std(inputs @ (each - rows).T) for each in (found, np.rint(rows)))
        assert error < 0.6 * nearest

    def test_pairs_of_products_fit_sixteen_bits_but_of_the_largest_bytes(self):
        onnx = pytest.importorskip("onnx")
        graph = onnx.load_from_string(INTEGERS.read()).graph
        values = {each.name: onnx.numpy_helper.to_array(each) for each in graph.initializer}
        convolutions = [node for node in graph.node if node.op_type == "QLinearConv"]
        for node in (convolutions[0], convolutions[-1]):
            kernel = values[node.input[3]].astype(int)
            pairs = kernel.reshape(len(kernel), -1, 2, *kernel.shape[2:])
            most = max(np.maximum(sign * pairs, 0).sum(axis=2).max() for sign in (1, -1))
            assert 127 * 127 < 227 * most < 2**15

    def test_the_shipped_file_takes_and_gives_bytes(self):
        onnx = pytest.importorskip("onnx")
        graph = onnx.load_from_string(INTEGERS.read()).graph
        assert [each.type.tensor_type.elem_type for each in (*graph.input, *graph.output)] == [
            onnx.TensorProto.UINT8,
            onnx.TensorProto.UINT8,
        ]
        assert {node.op_type for node in graph.node} == {
            "QLinearConv",
            "QLinearAdd",
            "Concat",
            "Reshape",
            "Shape",
            "Transpose",
        }
