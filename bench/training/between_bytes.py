"""The evidence network in the form that it is shipped in: from bytes to bytes, its pixels' channels side by side.

What `shrink.in_integers` writes has its convolutions between integers, but the first and the last in single precision,
and onnxruntime's steps from one to the other cost as much again. Here all of it is integers, written in the operators
that onnxruntime itself would put in their place, and two pixels side by side are one with twice the channels in the
first layer, which alone has too few to be multiplied at full speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...detectors.network.in_bytes import (
    LANES,
    NOTHING,
    PER_UNIT,
    SAID_NOTHING,
    SAID_PER_UNIT,
    lanes,
    packed,
)
from ...detectors.network.runtime import MULTIPLE
from .rounding import rounded_rows, second_moments, with_one

Array = NDArray[Any]

SHOWN, ANSWER = "shown", "answer"
"""Names of the network's input and output, in both files."""


def between_bytes(integers: Path, out: Path, frames: Sequence[Array]) -> None:
    """Write the network of a file that `in_integers` wrote between bytes, given features (CHANNELS, h, w) of frames."""
    import onnx

    source = _Source(onnx.load(integers).graph)
    shown = [packed(_whole(each).astype(np.float32)) for each in frames]
    first = second_moments(shown)
    last = _before_last(_Woven(source, first).model(), source.steps[-1][2][0], shown)
    onnx.save(_Woven(source, first, last).model(), out)


def _whole(features: Array) -> Array:
    """Return as many rows and columns of features as the network takes."""
    rows, columns = (side // (2 * MULTIPLE) * 2 * MULTIPLE for side in features.shape[1:])
    return features[:, :rows, :columns]


def _before_last(model: Any, name: str, shown: Sequence[Array]) -> Array:
    """Return the mean products of what two channels hold before the last layer, and a one: (channels + 1,) twice."""
    import onnx
    import onnxruntime

    model.graph.output.append(onnx.helper.make_tensor_value_info(name, onnx.TensorProto.UINT8, None))
    run = onnxruntime.InferenceSession(model.SerializeToString(), providers=["CPUExecutionProvider"])
    total, count = np.zeros(()), 0
    for each in shown:
        held = run.run([name], {SHOWN: each[None]})[0]
        flat = with_one(held.reshape(-1, held.shape[-1]).astype(np.float64))
        total, count = total + flat.T @ flat, count + len(flat)
    return np.asarray(total / count)


class _Source:
    """The graph without the steps between integers and single precision.

    Attributes
    ----------
    steps
        Convolutions, additions and enlargements in order, each with its inputs' and its output's plain names.
    scales
        Scale and zero point of each tensor.
    values
        Constants by name; kernels and biases by the names that convolutions take them by: integers, scale, zero point.
    """

    def __init__(self, graph: Any) -> None:
        from onnx import numpy_helper

        values = {each.name: numpy_helper.to_array(each) for each in graph.initializer}
        self.values: dict[str, tuple[Array, ...]] = {name: (value,) for name, value in values.items()}
        self.scales: dict[str, tuple[Any, Any]] = {}
        also: dict[str, str] = {}
        for node in graph.node:
            if node.op_type == "QuantizeLinear":
                self.scales[node.input[0]] = values[node.input[1]], values[node.input[2]]
                also[node.output[0]] = node.input[0]
            elif node.op_type == "DequantizeLinear" and node.input[0] in values:
                self.values[node.output[0]] = tuple(values[name] for name in node.input)
            elif node.op_type == "DequantizeLinear":
                also[node.output[0]] = node.input[0]
            elif node.op_type == "Relu":  # its output's zero point is its least value, and rounding clips
                also[node.input[0]] = node.output[0]
        self.steps = [
            (node.op_type, _attributes(node), [_plain(name, also) for name in (*node.input, *node.output)])
            for node in graph.node
            if node.op_type in ("Conv", "Add", "Resize")
        ]
        self.scales[SHOWN] = np.float32(1), np.uint8(NOTHING)
        self.scales[ANSWER] = np.float32(1 / SAID_PER_UNIT), np.uint8(SAID_NOTHING)
        for kind, _, names in self.steps:
            if kind == "Resize":
                self.scales[names[-1]] = self.scales[names[0]]


def _plain(name: str, also: dict[str, str]) -> str:
    while name in also:
        name = also[name]
    return name


def _attributes(node: Any) -> dict[str, Any]:
    from onnx import helper

    return {each.name: helper.get_attribute_value(each) for each in node.attribute}


class _Woven:
    """The graph that is written."""

    def __init__(self, source: _Source, before_first: Array, before_last: Array | None = None) -> None:
        self._source, self._before_first, self._before_last = source, before_first, before_last
        self._nodes: list[Any] = []
        self._constants: list[Any] = []
        enlarged = {names[-1]: names[0] for kind, _, names in source.steps if kind == "Resize"}
        for kind, attributes, names in source.steps:
            if kind == "Conv":
                self._convolution(attributes, names)
            elif kind == "Add":
                self._addition(names, enlarged)

    def model(self) -> Any:
        """Return the network from bytes (1, rows, pairs, LANES) to bytes (1, outputs, h, w)."""
        from onnx import TensorProto, helper

        self._node("Transpose", [f"{ANSWER}/places"], ANSWER, perm=[0, 3, 1, 2])
        shown = helper.make_tensor_value_info(SHOWN, TensorProto.UINT8, [1, "rows", "pairs", LANES])
        outputs = len(self._source.values[self._source.steps[-1][2][2]][0])
        answer = helper.make_tensor_value_info(ANSWER, TensorProto.UINT8, [1, outputs, "h", "w"])
        graph = helper.make_graph(self._nodes, "evidence", [shown], [answer], self._constants)
        versions = [helper.make_opsetid("", 13), helper.make_opsetid("com.microsoft", 1)]
        return helper.make_model(graph, opset_imports=versions, ir_version=7)

    def _convolution(self, attributes: dict[str, Any], names: list[str]) -> None:
        x, kernel, bias, y = names
        first, result = x == SHOWN, {ANSWER: f"{ANSWER}/places"}.get(y, y)
        weights, offsets = self._source.values[kernel], self._source.values[bias][0]
        if first:
            result = f"{y}/pairs"
            weights, offsets = self._first(weights[0], offsets)
        elif y == ANSWER:
            weights, offsets = self._last(weights[0], offsets, scale=float(self._source.scales[x][0]))
        each = [self._constant(f"{kernel}/{n}", value) for n, value in enumerate(weights)]
        inputs = [x, *self._scale(x), *each, *self._scale(y), self._constant(f"{bias}/0", offsets)]
        self._node("QLinearConv", inputs, result, domain="com.microsoft", channels_last=1, **attributes)
        if first:
            self._node("Reshape", [result, self._constant(f"{y}/shape", np.array([0, 0, -1, len(offsets) // 2]))], y)

    def _first(self, kernel: Array, offsets: Array) -> tuple[tuple[Array, ...], Array]:
        """Return the first layer's kernel (outputs, features, 3, 3) for pairs of pixels: integers, scales, zeros.

        And its offsets.
        """
        rows = np.concatenate([in_pairs(kernel, pixel) for pixel in (0, 1)])
        all_ = np.column_stack([rows.reshape(len(rows), -1), np.concatenate([offsets, offsets])])
        whole, scales, left = rounded_rows(all_, self._before_first, taps=9)
        return (whole.reshape(rows.shape), scales, np.zeros(len(rows), dtype=np.int8)), left

    def _last(self, kernel: Array, offsets: Array, *, scale: float) -> tuple[tuple[Array, ...], Array]:
        """Return the last layer's kernel (outputs, inputs, 1, 1) likewise, given its input's scale."""
        all_ = np.column_stack([kernel.reshape(len(kernel), -1) * scale, offsets])
        moments = np.eye(all_.shape[1]) if self._before_last is None else self._before_last
        whole, scales, left = rounded_rows(all_, moments)
        return (whole.reshape(kernel.shape), scales / np.float32(scale), np.zeros(len(all_), dtype=np.int8)), left

    def _addition(self, names: list[str], enlarged: dict[str, str]) -> None:
        """Add two tensors; what was enlarged has every column twice, then every row."""
        a, b, y = names
        if b in enlarged:
            row = self._constant(f"{b}/one", np.array([0, 0, 1, -1]))
            self._node("Concat", [enlarged[b]] * 2, f"{b}/wide", axis=3)
            self._node("Reshape", [f"{b}/wide", row], f"{b}/row")
            self._node("Concat", [f"{b}/row"] * 2, f"{b}/tall", axis=2)
            self._node("Shape", [a], f"{b}/shape")
            self._node("Reshape", [f"{b}/tall", f"{b}/shape"], b)
        inputs = [a, *self._scale(a), b, *self._scale(b), *self._scale(y)]
        self._node("QLinearAdd", inputs, y, domain="com.microsoft")

    def _scale(self, name: str) -> list[str]:
        scale, zero = self._source.scales[name]
        return [self._constant(f"{name}/scale", scale), self._constant(f"{name}/zero", zero)]

    def _constant(self, name: str, value: Array) -> str:
        from onnx import numpy_helper

        if name not in {each.name for each in self._constants}:
            self._constants.append(numpy_helper.from_array(np.array(value), name))
        return name

    def _node(self, kind: str, inputs: list[str], output: str, **attributes: Any) -> None:
        from onnx import helper

        self._nodes.append(helper.make_node(kind, inputs, [output], name=f"{output}/{kind}", **attributes))


def in_pairs(kernel: Array, pixel: int) -> Array:
    """Return a kernel (outputs, features, 3, 3) as one over lanes (outputs, LANES, 3, 3), for one pixel of a pair."""
    woven = np.zeros((len(kernel), LANES, 3, 3))
    for lane, (feature, of) in enumerate(lanes()):
        for right in (-1, 0, 1):
            pair, within = divmod(pixel + right, 2)
            if within == of or feature > 6:  # the last two lanes are of both pixels
                woven[:, lane, :, 1 + pair] += kernel[:, feature, :, 1 + right] / PER_UNIT[feature]
    return woven
