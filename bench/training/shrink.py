"""`python -m moteyard.bench.training.shrink`: the two files of a taught network that are shipped.

One has its weights in half precision and computes in single; OpenCV runs it. The other has its convolutions between
integers of eight bits, for onnxruntime, which multiplies those twice as fast. The first layer and the last stay in
single precision: contrasts reach it as they are, and the answers leave it unrounded; but for evidence both are integers
too, see `between_bytes`.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray
from tqdm import tqdm

from ...detectors.network.runtime import MULTIPLE
from .between_bytes import between_bytes
from .example import example
from .recipe import Recipe

Shown = NDArray[np.float16]

FIRST = 700_000
"""Number of the first scene whose values set the scales of the integers: of the train seeds, not yet learned from."""

FRAMES = 60
FILES = {"centres": "network", "evidence": "evidence"}
"""What the files of a network are called, by the lesson of single frames that set the scales of the integers."""

IN_SINGLE = ("/stem/Conv", "/answer/Conv")


def main() -> int:
    """Write both files, and say what the detector's code and the card must hold of them."""
    options = _options()
    taught, out = options.run / "network.onnx", options.run / "shipped"
    out.mkdir(exist_ok=True)
    lesson = json.loads((options.run / "card.json").read_text(encoding="utf-8"))["lesson"]
    lesson = lesson if lesson in FILES else "evidence"  # twins and rolls teach the same network
    name = FILES[lesson]
    in_half_precision(taught, out / f"{name}.onnx")
    recipe = Recipe(width_px=600, height_px=400, lesson=lesson)
    numbers = tqdm(range(FIRST, FIRST + FRAMES), desc="frames", unit="frame")
    shown, integers = [example(recipe, number).shown for number in numbers], out / f"{name}.int8.onnx"
    in_integers(taught, integers, shown)
    if lesson == "evidence":
        between_bytes(integers, integers, shown)
    for path in sorted(out.glob("*.onnx")):
        data = path.read_bytes()
        print(path, f"{len(data):,} bytes, SHA-256", hashlib.sha256(data).hexdigest())
    return 0


def in_half_precision(taught: Path, out: Path) -> None:
    """Write a network with its kernels rounded to half precision, each widened again before it is used."""
    import onnx

    model = onnx.load(taught)
    kept, widened = [], []
    for weights in model.graph.initializer:
        values = onnx.numpy_helper.to_array(weights)
        if values.dtype != np.float32 or values.ndim < 2:
            kept.append(weights)
            continue
        kept.append(onnx.numpy_helper.from_array(values.astype(np.float16), f"{weights.name}.half"))
        widened.append(
            onnx.helper.make_node("Cast", [f"{weights.name}.half"], [weights.name], to=onnx.TensorProto.FLOAT)
        )
    nodes = [*widened, *model.graph.node]
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(nodes)
    onnx.checker.check_model(model)
    onnx.save(model, out)


def in_integers(taught: Path, out: Path, shown: Sequence[Shown]) -> None:
    """Write a network between integers, whose scales span the values that these frames give rise to."""
    from onnxruntime.quantization import CalibrationMethod, QuantFormat, QuantType, quantize_static
    from onnxruntime.quantization.shape_inference import quant_pre_process

    with TemporaryDirectory() as folder:
        prepared = Path(folder) / "prepared.onnx"
        quant_pre_process(taught, prepared, skip_symbolic_shape=True)
        quantize_static(
            prepared,
            out,
            _Frames(shown),
            quant_format=QuantFormat.QDQ,
            per_channel=True,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            calibrate_method=CalibrationMethod.MinMax,
            nodes_to_exclude=list(IN_SINGLE),
        )


class _Frames:
    """What the library reads frames from."""

    def __init__(self, shown: Sequence[Shown]) -> None:
        self._left: Iterator[Shown] = iter(shown)

    def get_next(self) -> dict[str, Any] | None:
        """Return the next frame by the name of the network's input, or None."""
        frame = next(self._left, None)
        if frame is None:
            return None
        rows, columns = (side // (2 * MULTIPLE) * 2 * MULTIPLE for side in frame.shape[1:])
        return {"shown": frame[None, :, :rows, :columns].astype(np.float32)}


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m moteyard.bench.training.shrink", description=__doc__)
    parser.add_argument("run", type=Path, metavar="DIR", help="the --out of a training, with its network.onnx")
    return parser.parse_args()


if __name__ == "__main__":
    raise SystemExit(main())
