"""One roll, judged as it grows: each photograph is rendered once, whatever the counts it is judged at."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..detectors.check import check_answer
from ..detectors.contract import Cumulative, Detector, Photograph, Spots
from ..detectors.texture import texture_map
from ..generators.roll import Roll, render_exposure
from ..generators.scene import Frame
from ..generators.truth import Truth
from .allowance import Allowance, kept_to
from .ceiling import places
from .handover import photograph
from .judge import failed, in_words, judged, seat
from .learned import refuse_what_was_taught
from .store import TRUTH_TYPE, FrameRow, ResultRow
from .task import Seat


@dataclass(frozen=True, slots=True)
class RollJob:
    """A roll and the detectors to put on its first photographs, more each time.

    Attributes
    ----------
    roll
        JSON of a `Roll`.
    kind
        Its label in tables.
    counts
        It is judged after so many photographs, rising.
    """

    roll: str
    kind: str
    counts: tuple[int, ...]
    detectors: tuple[str, ...]

    @property
    def looks(self) -> int:
        """Return how many photographs detectors look at in all."""
        return len(self.detectors) * self.counts[-1]

    def only(self, *detectors: str) -> RollJob:
        """Return the same roll for some of the detectors."""
        return replace(self, detectors=detectors)

    def run(self, allowance: Allowance | None = None) -> tuple[list[FrameRow], list[ResultRow]]:
        """Render the roll once and judge each detector on it at every count, held to the allowance a photograph."""
        roll = Roll.from_json(self.roll)
        stages, shots = _stages(roll, self)
        results = [row for spec in self.detectors for row in _judge(roll, stages, shots, seat(spec), allowance)]
        return [stage.row for stage in stages], results

    def failures(self, seat: Seat, *, problem: str) -> list[ResultRow]:
        """Return the rows of a detector that nobody lived to write."""
        digest = Roll.from_json(self.roll).digest
        return [failed(row_key(digest, count), seat, problem=problem) for count in self.counts]


def row_key(digest: str, count: int) -> str:
    """Return what a store calls a roll, given its digest, after so many photographs."""
    return f"{digest}/{count:03d}"


def roll_of(key: str) -> str:
    """Return the roll's digest in what `row_key` made."""
    return key.partition("/")[0]


@dataclass(frozen=True, slots=True)
class _Stage:
    """A roll after some of its photographs: what the store keeps of it, and the latest frame, which is judged."""

    count: int
    row: FrameRow
    latest: Frame


def _stages(roll: Roll, job: RollJob) -> tuple[list[_Stage], list[Photograph]]:
    shots: list[Photograph] = []
    truths: list[Truth] = []
    stages = []
    started, pixels = time.perf_counter(), hashlib.sha256()
    for index in range(job.counts[-1]):
        frame = render_exposure(roll, index)
        shots.append(photograph(frame, roll=roll.digest))
        truths.append(frame.truth)
        pixels.update(frame.digest.encode())
        if len(shots) in job.counts:
            row = _row(roll, frame, truths, pixels=pixels.hexdigest()[:16])
            row = replace(row, ground=job.kind, render_s=time.perf_counter() - started)
            stages.append(_Stage(len(shots), row, frame))
    return stages, shots


def _row(roll: Roll, latest: Frame, truths: Sequence[Truth], *, pixels: str) -> FrameRow:
    count = len(truths)
    scenes = [roll.scene_of(index) for index in range(count)]
    recipe = {"roll": roll.digest, "photographs": count, "scenes": len(set(scenes)), "places": places(latest.scene)}
    return FrameRow(
        scene=row_key(roll.digest, count),
        name=f"{roll.name}/{count:03d}",
        ground="",
        f_number=latest.scene.optics.f_number,
        block=roll.name,
        megapixels=latest.pixels.shape[0] * latest.pixels.shape[1] / 1e6,
        pixels=pixels,
        recipe=json.dumps(recipe),
        texture=float(np.median(texture_map(photograph(latest).log_luminance()))),
        render_s=0.0,
        truth=_truth_table(truths, scenes),
    )


def _truth_table(truths: Sequence[Truth], scenes: Sequence[int]) -> NDArray[Any]:
    """Return the grains in the latest photograph with d′ over all; all count, seen by anyone or not."""
    latest = truths[-1]
    table = np.zeros(len(latest), dtype=TRUTH_TYPE)
    for name in TRUTH_TYPE.names or ():
        if hasattr(latest, name):
            table[name] = getattr(latest, name)
    table["detectability"] = together(_by_photograph(truths), scenes)
    table["visibility"] = np.nan
    table["counted"] = True
    return table


def together(by_photograph: Sequence[NDArray[np.float64]], scenes: Sequence[int]) -> NDArray[np.float64]:
    """Return √(Σ d′²) of each grain over the scenes that photographs show, given d′ in each photograph.

    Of a scene that was photographed again only the best counts: its texture, which is what hides a shadow, is the
    same each time and doesn't average out. That leaves out what little comes of the camera's noise averaging out.
    """
    best: dict[int, NDArray[np.float64]] = {}
    for seen, scene in zip(by_photograph, scenes, strict=True):
        best[scene] = np.maximum(best[scene], seen) if scene in best else seen
    return np.asarray(np.sqrt(sum(seen**2 for seen in best.values())))


def _by_photograph(truths: Sequence[Truth]) -> list[NDArray[np.float64]]:
    """Return for each photograph d′ of the grains in the latest one, 0 where a grain lay elsewhere or not at all."""
    latest = truths[-1]
    keys = list(zip(latest.identity.tolist(), latest.x_mm.tolist(), latest.y_mm.tolist(), strict=True))
    found = []
    for truth in truths:
        lying = zip(truth.identity.tolist(), truth.x_mm.tolist(), truth.y_mm.tolist(), strict=True)
        known = dict(zip(lying, truth.detectability.tolist(), strict=True))
        found.append(np.array([known.get(key, 0.0) for key in keys], dtype=np.float64))
    return found


def _judge(
    roll: Roll, stages: Sequence[_Stage], shots: Sequence[Photograph], seat_: Seat, allowance: Allowance | None
) -> list[ResultRow]:
    """Put one detector on a roll. Whatever it raises becomes the problem of all its rows.

    Their time is that of the whole roll, all counts together.
    """
    allowed = replace(allowance, time_s=allowance.time_s * len(shots)) if allowance else None
    try:
        with kept_to(allowed) if allowed else nullcontext():
            detector = seat_.make()
            refuse_what_was_taught(detector, roll.scene(0))
            wall, cpu = time.perf_counter(), time.process_time()
            answers = latest_answers(detector, shots, [stage.count for stage in stages])
            cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
        check_answer(answers, [shots[stage.count - 1] for stage in stages])
    except BaseException as error:  # a detector may raise anything; the run goes on and shows it
        return [failed(stage.row.scene, seat_, problem=in_words(error, allowed)) for stage in stages]
    return [
        ResultRow(
            scene=stage.row.scene,
            detector=seat_.name,
            fingerprint=seat_.fingerprint,
            problem=None,
            cpu_s=cpu,
            wall_s=wall,
            spots=judged(spots, stage.row.truth, footprint=stage.latest.footprint, ignored=stage.latest.ignored),
        )
        for stage, spots in zip(stages, answers, strict=True)
    ]


def latest_answers(detector: Detector, shots: Sequence[Photograph], counts: Sequence[int]) -> list[Spots]:
    """Return for each count what a detector says of the last of so many photographs, given all of them."""
    if isinstance(detector, Cumulative):
        return detector.detect_latest(shots, counts)
    answers = []
    for count in counts:
        answer = detector.detect(list(shots[:count]))
        check_answer(answer, shots[:count])
        answers.append(answer[-1])
    return answers
