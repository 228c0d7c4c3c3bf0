"""One frame, judged: render it, hand it over, time the detector, match its answer with the truth."""

from __future__ import annotations

import time
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..detectors.check import check_answer
from ..detectors.contract import Photograph, Spots
from ..detectors.registry import another, fingerprint, load
from ..detectors.texture import texture_map
from ..generators.scene import Frame, Scene, render
from .allowance import Allowance, kept_to
from .handover import photograph
from .label import label
from .learned import refuse_what_was_taught
from .masking import mask_contrast
from .match import LEAST_GATE_PX, gate_px
from .memory import peak_since, resident_now, weighed
from .store import FALSE_ALARM, HIT, IGNORED, SPOT_TYPE, TRUTH_TYPE, FrameRow, ResultRow
from .task import Seat
from .visibility import Viewing, masking_elevation, shadow_threshold, visibility_level

SEEN = 1.0
"""Visibility level from which a shadow counts: its contrast is at the observer's threshold or above."""

WORDS = 500
"""Characters kept of what a detector says when it fails."""


@dataclass(frozen=True, slots=True)
class Job:
    """One frame and the detectors to put on it; it travels between processes as plain data.

    Attributes
    ----------
    scene
        JSON of a `Scene`.
    ground
        Label of its background in tables.
    detectors
        Registered names or ``path/file.py:Class``.
    viewing
        Who looks at the picture.
    """

    scene: str
    ground: str
    detectors: tuple[str, ...]
    viewing: Viewing

    @property
    def looks(self) -> int:
        """Return how many photographs detectors look at in all."""
        return len(self.detectors)

    def only(self, *detectors: str) -> Job:
        """Return the same frame for some of the detectors."""
        return replace(self, detectors=detectors)

    def run(self, allowance: Allowance | None = None) -> tuple[FrameRow, list[ResultRow]]:
        """Do it here; see `run_job`."""
        return run_job(self, allowance)

    def failures(self, seat: Seat, *, problem: str) -> list[ResultRow]:
        """Return the row of a detector that nobody lived to write."""
        return [failed(Scene.from_json(self.scene).digest, seat, problem=problem)]


def seat_of(spec: str) -> Seat:
    """Return a detector's seat, its code loaded and read now."""
    detector = load(spec)
    return Seat(partial(another, detector), detector.name, fingerprint(detector))


seat = lru_cache(seat_of)
"""The code that a worker has loaded stays what it was when a file changes; so must its fingerprint."""


def run_job(job: Job, allowance: Allowance | None = None) -> tuple[FrameRow, list[ResultRow]]:
    """Render a job's frame once and judge each detector on it, held to the allowance if there is one."""
    _, row, results = looked_at(job, allowance)
    return row, results


def looked_at(job: Job, allowance: Allowance | None) -> tuple[Photograph, FrameRow, list[ResultRow]]:
    """Do a job, and return the photograph too."""
    started = time.perf_counter()
    frame = render(Scene.from_json(job.scene))
    render_s = time.perf_counter() - started
    row = frame_row(frame, ground=job.ground, viewing=job.viewing, render_s=render_s)
    shot = photograph(frame)
    results = [judge(frame, row, shot=shot, seat=seat(spec), allowance=allowance) for spec in job.detectors]
    return shot, row, results


def frame_row(frame: Frame, *, ground: str, viewing: Viewing, render_s: float) -> FrameRow:
    """Return what the store keeps of a frame."""
    return FrameRow(
        scene=frame.scene.digest,
        name=frame.scene.name,
        ground=ground,
        f_number=frame.scene.optics.f_number,
        block=frame.scene.block,
        megapixels=frame.pixels.shape[0] * frame.pixels.shape[1] / 1e6,
        pixels=frame.digest,
        recipe=frame.scene.to_json(),
        texture=float(np.median(texture_map(photograph(frame).log_luminance()))),
        render_s=render_s,
        truth=_truth_table(frame, viewing),
    )


def _truth_table(frame: Frame, viewing: Viewing) -> NDArray[Any]:
    truth = frame.truth
    table = np.zeros(len(truth), dtype=TRUTH_TYPE)
    for name in TRUTH_TYPE.names or ():
        if hasattr(truth, name):
            table[name] = getattr(truth, name)
    looks = {"pixels_per_degree": viewing.pixels_per_degree, "luminance_cd_m2": viewing.luminance_cd_m2}
    table["visibility"] = visibility_level(truth.depth, truth.fwhm_px, **looks)
    if viewing.masking:
        raised = masking_elevation(mask_contrast(frame), shadow_threshold(truth.fwhm_px, **looks))
        table["visibility"] /= raised
    places = np.column_stack([truth.x, truth.y])
    table["counted"] = (table["visibility"] >= SEEN) & ~_masked(places, frame.ignored)
    return table


def judge(frame: Frame, row: FrameRow, *, shot: Photograph, seat: Seat, allowance: Allowance | None) -> ResultRow:
    """Put one detector on a frame as the photograph `shot`. Whatever it raises becomes the row's problem."""
    try:
        with kept_to(allowance) if allowance else nullcontext():
            detector = seat.make()
            refuse_what_was_taught(detector, frame.scene)
            resident = resident_now() if weighed(row.scene) else np.nan
            wall, cpu = time.perf_counter(), time.process_time()
            answer = detector.detect([shot])
            cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
            memory = peak_since(resident)
        check_answer(answer, [shot])
    except BaseException as error:  # a detector may raise anything; the run goes on and shows it
        return failed(row.scene, seat, problem=in_words(error, allowance))
    return ResultRow(
        scene=row.scene,
        detector=seat.name,
        fingerprint=seat.fingerprint,
        problem=None,
        cpu_s=cpu,
        wall_s=wall,
        spots=judged(answer[0], row.truth, footprint=frame.footprint, ignored=frame.ignored),
        memory_bytes=memory,
    )


def in_words(error: BaseException, allowance: Allowance | None) -> str:
    """Return what a detector raised in a sentence of bounded length."""
    if isinstance(error, SystemExit):
        return "left through sys.exit"
    try:
        said = str(error)
    except Exception:  # a stranger's exception may fail at that too
        said = "(its message can't be read)"
    if isinstance(error, MemoryError):
        return f"ran out of memory{allowance.memory_words if allowance else ''}: {said[:WORDS]}".rstrip(": ")
    return f"{type(error).__name__}: {said[:WORDS]}"


def failed(scene: str, seat: Seat, *, problem: str) -> ResultRow:
    """Return the row of a detector that gave no answer."""
    empty = np.zeros(0, dtype=SPOT_TYPE)
    return ResultRow(scene, seat.name, seat.fingerprint, problem, np.nan, np.nan, empty)


def judged(
    spots: Spots,
    truth: NDArray[Any],
    *,
    footprint: NDArray[np.int16] | None = None,
    ignored: NDArray[np.bool_] | None = None,
) -> NDArray[Any]:
    """Return candidates with their verdicts (`SPOT_TYPE`), strongest first.

    A candidate anywhere along a fibre, ring or scratch (at most the least gate beside its `footprint`) counts as
    one on its middle: the first is its hit, the others are no false alarms, since one stroke of the brush mends it.
    A candidate where the frame is `ignored` is no false alarm either.
    """
    spots = spots.strongest(len(spots))
    places = np.column_stack([spots.x, spots.y])
    middles = np.column_stack([truth["x"], truth["y"]])
    line = np.where(_on_a_spot(places, truth, footprint), -1, _line_at(places, footprint))
    labels = label(
        middles,
        truth["fwhm_px"] / 2,
        ignored=~truth["counted"],
        spots_xy=np.where(line[:, None] >= 0, middles[line], places) if len(truth) else places,
        score=spots.score,
    )
    table = np.zeros(len(spots), dtype=SPOT_TYPE)
    for name in ("x", "y", "diameter_px", "score"):
        table[name] = getattr(spots, name)
    table["truth"] = labels.truth
    spared = labels.ignored | (line >= 0) | _masked(places, ignored)
    table["kind"] = np.where(labels.hit, HIT, np.where(spared, IGNORED, FALSE_ALARM))
    return table


def _on_a_spot(places: NDArray[Any], truth: NDArray[Any], footprint: NDArray[np.int16] | None) -> NDArray[np.bool_]:
    """Return for each place (m, 2) whether a counted shadow that is no line lies there: it goes before the line."""
    if footprint is None:
        return np.zeros(len(places), dtype=bool)
    spots = truth["counted"] & ~np.isin(np.arange(len(truth)), footprint)
    centres = np.column_stack([truth["x"], truth["y"]])[spots]
    apart = np.hypot(*(places[:, None, :] - centres[None, :, :]).transpose(2, 0, 1))
    return np.asarray((apart <= gate_px(truth["fwhm_px"][spots] / 2)).any(axis=1))


def _masked(places: NDArray[Any], ignored: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    """Return for each place (m, 2) whether the frame is not to be judged there."""
    if ignored is None:
        return np.zeros(len(places), dtype=bool)
    columns = np.clip(np.rint(places[:, 0]).astype(int), 0, ignored.shape[1] - 1)
    rows = np.clip(np.rint(places[:, 1]).astype(int), 0, ignored.shape[0] - 1)
    return np.asarray(ignored[rows, columns])


def _line_at(places: NDArray[Any], footprint: NDArray[np.int16] | None) -> NDArray[np.intp]:
    """Return for each place (m, 2) the line within the least gate of it, −1 where there is none."""
    found = np.full(len(places), -1, dtype=np.intp)
    if footprint is None:
        return found
    reach = int(LEAST_GATE_PX)
    for across in range(-reach, reach + 1):
        for down in range(-reach, reach + 1):
            if np.hypot(across, down) <= LEAST_GATE_PX:
                columns = np.clip(np.rint(places[:, 0]).astype(int) + across, 0, footprint.shape[1] - 1)
                rows = np.clip(np.rint(places[:, 1]).astype(int) + down, 0, footprint.shape[0] - 1)
                found = np.maximum(found, footprint[rows, columns])
    return found
