"""The candidates that probabilities are fitted to, and those that they are judged on."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from tqdm import tqdm

from ..detectors.calibrated import texture_at
from ..generators.scene import Scene
from .allowance import Allowance
from .calibration import Sample
from .cells import Record
from .engine import cores, run_jobs
from .judge import Job, looked_at
from .store import HIT, IGNORED, SPOT_TYPE, FrameRow, ResultRow
from .suite import Suite
from .task import Seat

Textures = list[NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Judged:
    """A detector on the frames of one namespace of seeds.

    Attributes
    ----------
    sample
        Its candidates, hits and false alarms.
    ground
        (m,) labels, one a candidate.
    truths, frames
        Shadows that count, and frames.
    failures
        Results that did not come; then the rest is of the other frames.
    """

    sample: Sample
    ground: NDArray[np.str_]
    truths: int
    frames: int
    failures: tuple[ResultRow, ...]


@dataclass(frozen=True, slots=True)
class TexturedJob:
    """A frame and detectors; what it makes is the frame's row and the texture under each result's candidates."""

    job: Job

    @property
    def detectors(self) -> tuple[str, ...]:
        """Return the job's."""
        return self.job.detectors

    @property
    def looks(self) -> int:
        """Return the job's."""
        return self.job.looks

    def only(self, *detectors: str) -> TexturedJob:
        """Return the same frame for some of the detectors."""
        return TexturedJob(self.job.only(*detectors))

    def run(self, allowance: Allowance | None = None) -> tuple[tuple[FrameRow, Textures], list[ResultRow]]:
        """Do it here; the frame is rendered once for both."""
        shot, row, results = looked_at(self.job, allowance)
        return (row, [texture_at(shot, result.spots["x"], result.spots["y"]) for result in results]), results

    def failures(self, seat: Seat, *, problem: str) -> list[ResultRow]:
        """Return the job's."""
        return self.job.failures(seat, problem=problem)


def scenes_apart(suite: Suite, namespace: str) -> list[Scene]:
    """Return as many scenes of a namespace as the suite has there, none of which are the suite's own.

    They are the next frames of each cell: those that a suite of twice the length would have.
    """
    twice = replace(suite, frames=2 * suite.frames)
    return [twice.scene(place, namespace) for place in range(len(twice)) if place % twice.frames >= suite.frames]


def gather(
    suite: Suite, spec: str, scenes: Sequence[Scene], *, desc: str = "judging", workers: int | None = None
) -> Judged:
    """Put a detector on scenes of a suite and return its candidates."""
    jobs = [TexturedJob(Job(one.to_json(), one.name.split("/")[0], (spec,), suite.viewing)) for one in scenes]
    found: list[tuple[Record, NDArray[np.float64]]] = []
    failures = []
    with tqdm(total=len(jobs), unit="frame", desc=desc, file=sys.stderr) as bar:
        for made, results in run_jobs(jobs, workers=workers or cores()):
            failures += [row for row in results if row.problem is not None]
            if made is not None:
                frame, textures = made
                pairs = zip(results, textures, strict=True)
                found += [(Record(frame, row), texture) for row, texture in pairs if row.problem is None]
            bar.update()
    found.sort(key=lambda one: one[0].frame.name)
    records = [record for record, _ in found]
    return Judged(
        sample=_sample(records, [texture for _, texture in found]),
        ground=np.array([record.frame.ground for record in records for _ in record.score], dtype=np.str_),
        truths=sum(record.frame.counted for record in records),
        frames=len(records),
        failures=tuple(failures),
    )


def _sample(records: list[Record], textures: Textures) -> Sample:
    blocks = {name: number for number, name in enumerate(sorted({record.frame.block for record in records}))}
    counting = [record.result.spots["kind"] != IGNORED for record in records]
    sizes = [int(chosen.sum()) for chosen in counting]
    kept = [record.result.spots[some] for record, some in zip(records, counting, strict=True)]
    spots = np.concatenate([np.zeros(0, dtype=SPOT_TYPE), *kept])  # a detector may have failed on every frame
    texture = np.concatenate([np.zeros(0), *(values[some] for values, some in zip(textures, counting, strict=True))])
    return Sample(
        score=spots["score"].astype(np.float64),
        hit=spots["kind"] == HIT,
        log2_f_number=np.repeat([np.log2(record.frame.f_number) for record in records], sizes),
        log_texture=np.log(np.maximum(texture, np.finfo(float).tiny)),
        block=np.repeat([blocks[record.frame.block] for record in records], sizes).astype(np.intp),
    )
