"""The candidates that probabilities are fitted to, and those that they are judged on."""

from __future__ import annotations

import multiprocessing
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from tqdm import tqdm

from ..detectors.calibrated import texture_at
from ..generators.scene import Scene, render
from .calibration import Sample
from .cells import Record
from .engine import cores, run_jobs
from .handover import photograph
from .judge import Job
from .store import HIT, IGNORED, SPOT_TYPE, ResultRow
from .suite import Suite


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


def gather(suite: Suite, spec: str, namespace: str, *, workers: int | None = None) -> Judged:
    """Put a detector on a suite's frames of a namespace of seeds and return its candidates."""
    jobs = [Job(scene.to_json(), scene.name.split("/")[0], (spec,), suite.viewing) for scene in suite.scenes(namespace)]
    records, failures = [], []
    with tqdm(total=len(jobs), unit="frame", desc=namespace, file=sys.stderr) as bar:
        for frame, results in run_jobs(jobs, workers=workers or cores()):
            failures += [row for row in results if row.problem is not None]
            records += [Record(frame, row) for row in results if frame is not None and row.problem is None]
            bar.update()
    records.sort(key=lambda record: record.frame.name)
    textures = _textures(records, workers or cores())
    return Judged(
        sample=_sample(records, textures),
        ground=np.array([record.frame.ground for record in records for _ in record.score], dtype=np.str_),
        truths=sum(record.frame.counted for record in records),
        frames=len(records),
        failures=tuple(failures),
    )


def _textures(records: list[Record], workers: int) -> list[NDArray[np.float64]]:
    """Return the texture under each candidate of each record. The frames are rendered again: no pixels are kept."""
    tasks = [
        (record.frame.recipe, record.result.spots["x"].copy(), record.result.spots["y"].copy()) for record in records
    ]
    if workers == 1:
        return [_texture_of(*task) for task in tasks]
    # Fresh processes: OpenCV's threads do not survive a fork.
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        jobs = [pool.submit(_texture_of, *task) for task in tasks]
        return [job.result() for job in jobs]


def _texture_of(recipe: str, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float64]:
    return texture_at(photograph(render(Scene.from_json(recipe))), x, y)


def _sample(records: list[Record], textures: list[NDArray[np.float64]]) -> Sample:
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
