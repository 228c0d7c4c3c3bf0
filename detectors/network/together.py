"""A roll by the evidence network: what it says of each photograph is a likelihood ratio, and these multiply."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from ..consensus import answered, answered_latest
from ..consensus_frame import NOMINAL_F_NUMBER, SIZES_UM, Maps
from ..consensus_study import Study, gathered
from ..consensus_way import Tell
from ..contract import Photograph, Spots
from ..optical_scales import pixel_pitch_um
from .evidence import Words
from .evidence_target import WIDEST_PX, place_px
from .features import view_at
from .in_bytes import SAID_NOTHING, SAID_PER_UNIT, ByteForward, Bytes, network_in_bytes, words
from .runtime import HAS_ONNXRUNTIME, Weights, read_card

FloatArray = NDArray[np.float32]

SINGLE = Weights("evidence.onnx", "961a93a1eb53375336e478d044428ba93690e52ecf62ef71a9bdd96509eba342")
INTEGERS = Weights("evidence.int8.onnx", "dedfb2449bb443a3cc06825889e19b77d03c089f0fdd68f163c1a4e6a553e8bc")
"""The same network for OpenCV and for onnxruntime; see `detector`."""

SHIPPED = INTEGERS if HAS_ONNXRUNTIME else SINGLE


class NetworkConsensus:
    """All photographs of a roll together, by a network that was taught to say likelihood ratios.

    It says them for each size of grain and each place, so that over a roll they add up as logarithms. Photographs of
    different sizes are rolls of their own.
    """

    name = "together"
    version = "4-int8" if HAS_ONNXRUNTIME else "4"
    card: ClassVar[Mapping[str, Any]] = read_card("evidence.json")

    def detect(self, roll: Sequence[Photograph]) -> list[Spots]:
        """Return the roll's grains, mapped back onto each photograph that they lay there for."""
        return answered(roll, study_together)

    def detect_latest(self, roll: Sequence[Photograph], counts: Sequence[int]) -> list[Spots]:
        """Return for each count what `detect` says of the last of so many photographs; each is looked at once."""
        return answered_latest(roll, counts, studies_together)


def study_together(roll: Sequence[Photograph], *, like: Study | None = None) -> Study:
    """Return what a roll of photographs of one size says; each is read once, the first one to begin with too.

    Parameters
    ----------
    like
        A study of the same photographs, whose magnifications and likeness hold; None finds them.
    """
    return studies_by(roll, (len(roll),), network_in_bytes(SHIPPED), like=like)[0]


def studies_together(roll: Sequence[Photograph], counts: Sequence[int]) -> list[Study]:
    """Return what the first photographs of a roll say, for each of the rising counts.

    What is said of each photograph waits in a file, 15 MB of one with 24 megapixels, so memory does not grow with the
    roll.
    """
    return studies_by(roll, counts, network_in_bytes(SHIPPED))


def studies_by(
    roll: Sequence[Photograph], counts: Sequence[int], forward: ByteForward, *, like: Study | None = None
) -> list[Study]:
    """Return what `studies_together` does, by any network."""
    with tempfile.TemporaryDirectory() as folder:
        way = ByNetwork(grid_px(roll[0]) if len(roll) else 0, forward, Path(folder))
        return gathered(roll, counts, way, like=like)


def grid_px(photograph: Photograph) -> int:
    """Return the pixels between places of a roll's grid: those of its photographs at the nominal f-number."""
    view = view_at(NOMINAL_F_NUMBER, pixel_pitch_um(photograph), widest_px=WIDEST_PX)
    return min(place_px(view), *photograph.shape)


@dataclass(frozen=True, slots=True)
class ByNetwork:
    """A way of looking at a roll; see `consensus_way.Way`."""

    step: int
    forward: ByteForward
    folder: Path
    proposed_um: ClassVar[tuple[float, ...]] = SIZES_UM
    told_um: ClassVar[tuple[float, ...]] = SIZES_UM

    def look(self, photograph: Photograph, index: int) -> Kept:
        """Return the words on a photograph, which are kept when they are asked for."""
        return Kept(Words(photograph, self.step, self.forward), self._file(index))

    def again(self, roll: Sequence[Photograph], index: int) -> Tell:
        """Return what tells the words that were kept."""
        kept = np.load(self._file(index), mmap_mode="r")

        def tell(y: FloatArray, x: FloatArray) -> FloatArray:
            height, width = kept.shape[1:]
            inside = (y >= -0.5) & (y <= height - 0.5) & (x >= -0.5) & (x <= width - 0.5)
            found = np.stack([between(plane, y, x) for plane in kept])
            return np.asarray((found - SAID_NOTHING) * inside / np.float32(SAID_PER_UNIT), dtype=np.float32)

        return tell

    def _file(self, index: int) -> Path:
        return self.folder / f"{index}.npy"


@dataclass(frozen=True, slots=True)
class Kept:
    """Words on a photograph that are written down as they are said."""

    words: Words
    file: Path

    @property
    def scene(self) -> FloatArray:
        """Thumbnail of what the photograph shows."""
        return self.words.scene

    def maps(self) -> Maps:
        """Yield the evidence for each size by its index, as it will be told again."""
        kept = self.words.in_bytes()
        np.save(self.file, kept)  # whole, and not through a memory map: a full disk is an error then, no lost process
        for size, plane in enumerate(kept):
            yield size, words(plane)


def between(plane: Bytes, row: FloatArray, column: FloatArray) -> FloatArray:
    """Return a plane's values at fractional places (m,), by linear interpolation; beyond its edges the nearest."""
    height, width = plane.shape
    row, column = np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)
    top, left = row.astype(np.intp), column.astype(np.intp)
    bottom, right = np.minimum(top + 1, height - 1), np.minimum(left + 1, width - 1)
    down, along = row - top, column - left
    upper = plane[top, left] * (1 - along) + plane[top, right] * along
    lower = plane[bottom, left] * (1 - along) + plane[bottom, right] * along
    return np.asarray(upper * (1 - down) + lower * down, dtype=np.float32)
