"""The network's answers for a whole photograph, strip by strip, the same whatever the strips."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from importlib.util import find_spec
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...generators.cv import cv2

FloatArray = NDArray[np.float32]
Forward = Callable[[FloatArray], FloatArray]

MULTIPLE = 4
"""The network halves the cells twice: strips begin and end at multiples of it, so that its grid stays put."""

REACH = 24
"""Cells about a cell that its answer depends on, by the layers' sizes; a multiple of MULTIPLE."""

STRIP = 208
"""Cells of a strip's own height; a photograph of 24 megapixels has up to 1000."""


def answers(shown: FloatArray, forward: Forward, *, strip: int = STRIP) -> FloatArray:
    """Return the answers (outputs, h, w) to features (channels, 2h, 2w).

    Below and right the features are widened with zeros to a multiple of 4 cells, as far as the network's own
    margins are zeros too; what is answered there is cut off again.
    """
    rows, columns = shown.shape[1] // 2, shown.shape[2] // 2
    full_rows, full_columns = widened(rows), widened(columns)
    if (rows, columns) != (full_rows, full_columns):  # else a copy of 200 MB for nothing
        shown = np.pad(shown, ((0, 0), (0, 2 * (full_rows - rows)), (0, 2 * (full_columns - columns))))
    parts = []
    for seen, own in strips(full_rows, strip):
        answer = forward(np.ascontiguousarray(shown[None, :, 2 * seen.start : 2 * seen.stop]))[0]
        parts.append(answer[:, own])
    return np.concatenate(parts, axis=1)[:, :rows, :columns]


def widened(cells: int) -> int:
    """Return the next multiple of MULTIPLE.

    >>> widened(5), widened(8)
    (8, 8)
    """
    return -(-cells // MULTIPLE) * MULTIPLE


def strips(rows: int, strip: int) -> Iterator[tuple[slice, slice]]:
    """Yield for each strip of so many rows of cells what the network sees, and the strip's own part of its answer.

    >>> list(strips(100, 60))
    [(slice(0, 84, None), slice(0, 60, None)), (slice(36, 100, None), slice(24, 64, None))]
    """
    for top in range(0, rows, strip):
        bottom = min(top + strip, rows)
        low = max(0, top - REACH)
        yield slice(low, min(rows, bottom + REACH)), slice(top - low, bottom - low)


@dataclass(frozen=True, slots=True)
class Weights:
    """A file of this package, and the SHA-256 that the detector's code, and so its fingerprint, stands for."""

    file: str
    sha256: str

    def read(self) -> bytes:
        """Return the file.

        Raises
        ------
        ValueError
            If its SHA-256 is another.
        """
        data = resources.files(__package__).joinpath(self.file).read_bytes()
        found = hashlib.sha256(data).hexdigest()
        if found != self.sha256:
            raise ValueError(f"{self.file} has SHA-256 {found}, not {self.sha256}; install Moteyard anew")
        return data


def read_card(name: str) -> dict[str, Any]:
    """Return what a shipped network was taught on and how long, from a JSON file of this package."""
    card: dict[str, Any] = json.loads(resources.files(__package__).joinpath(name).read_text(encoding="utf-8"))
    return card


HAS_ONNXRUNTIME = find_spec("onnxruntime") is not None
"""Whether the network is run between integers by onnxruntime, three times as fast, or in single precision by OpenCV."""


@lru_cache(maxsize=2)
def network(weights: Weights) -> Forward:
    """Return a shipped network, run by onnxruntime where that is installed and by OpenCV elsewhere."""
    return (by_onnxruntime if HAS_ONNXRUNTIME else by_opencv)(weights.read())


def by_onnxruntime(data: bytes) -> Forward:
    """Return the network run by onnxruntime on one thread."""
    run = session(data)

    def forward(shown: FloatArray) -> FloatArray:
        (answer,) = run.run(None, {"shown": shown})
        return np.asarray(answer, dtype=np.float32)

    return forward


def session(data: bytes) -> Any:
    """Return a network as a session of onnxruntime on one thread.

    It keeps its memory from strip to strip: fetching it anew from the system took a sixth of the time. Planned for the
    first strip's shape it would take a third more of it.
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.enable_mem_pattern = False
    return onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])


def by_opencv(data: bytes) -> Forward:
    """Return the network run by OpenCV."""
    net = cv2.dnn.readNetFromONNX(np.frombuffer(data, dtype=np.uint8))

    def forward(shown: FloatArray) -> FloatArray:
        net.setInput(shown)
        return np.asarray(net.forward(), dtype=np.float32)

    return forward
