"""One frame, each candidate of a detector mended alone by each repair, and what became of it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...detectors.check import check_answer
from ...detectors.contract import Photograph, Spots
from ...detectors.registry import load as load_detector
from ...generators.scene import Frame, Scene, render
from ..handover import photograph
from ..judge import SEEN, frame_row, judged
from ..masking import contrast_about, log_light
from ..repairs.contract import Known, Repair, window_about
from ..repairs.registry import load as load_repair
from ..store import HIT
from ..visibility import Viewing, masking_elevation, shadow_threshold
from .measure import CLEAN, difference_seen, harmed, texture_variances
from .original import Original, original_of

KNOWN = "known"
"""Stands for a detector that knows every visible spot's place and width: it judges repairs alone."""

KNOWN_SIZES = "known-sizes"
"""The same with the grains' sizes, about as a roll tells them."""

SIZE_ERROR = 0.04
"""Standard deviation of ln size there; mixed rolls of 24 told the sizes of their grains to 1 to 4 %."""

MOST = 30
"""Strongest candidates of a frame that are mended."""


@dataclass(frozen=True, slots=True)
class Task:
    """One scene with what is put on it; it travels between processes as plain data."""

    scene: str
    ground: str
    detectors: tuple[str, ...]
    repairs: tuple[str, ...]
    viewing: Viewing


@dataclass(frozen=True, slots=True)
class Outcome:
    """One candidate mended alone.

    Attributes
    ----------
    detector, repair, score
        The pipeline, and the candidate's score.
    truth
        Index of the visible spot that it hits, −1 where there is none.
    how
        divided, filled or left.
    before, after
        How plainly the place differs from the original, in thresholds raised by texture; from 1 on it is seen.
    depth
        Peak depth of the spot, nan where there is none.
    harmed_px
        Clean pixels that now differ from the original by ΔE00 > 1.
    fine, fine_original
        Variance of the texture inside.
    """

    detector: str
    repair: str
    score: float
    truth: int
    how: str
    before: float
    after: float
    depth: float
    harmed_px: int
    fine: float
    fine_original: float


@dataclass(frozen=True, slots=True)
class FrameOutcome:
    """A frame's cell, its visible spots (by index, how plain each is), its clean pixels, and all outcomes."""

    scene: str
    ground: str
    f_number: float
    block: str
    clean_px: int
    visible: dict[int, float]
    outcomes: tuple[Outcome, ...]

    @property
    def key(self) -> str:
        """Digest of what was judged."""
        return self.scene

    def to_plain(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        return asdict(self)

    @classmethod
    def from_plain(cls, raw: dict[str, Any]) -> FrameOutcome:
        """Return what `to_plain` gave."""
        outcomes = tuple(Outcome(**each) for each in raw.pop("outcomes"))
        visible = {int(index): float(level) for index, level in raw.pop("visible").items()}
        return cls(**raw, visible=visible, outcomes=outcomes)


def run_task(task: Task) -> FrameOutcome:
    """Render a frame and its original and try every pipeline on it."""
    frame = render(Scene.from_json(task.scene))
    truth = frame_row(frame, ground=task.ground, viewing=task.viewing, render_s=0.0).truth
    return Yard.of(frame, truth, original_of(frame), task.viewing).outcome(task)


@dataclass(frozen=True, slots=True)
class Yard:
    """A frame, its original, its labels and who looks at it."""

    frame: Frame
    original: Original
    truth: NDArray[Any]
    shot: Photograph
    log: NDArray[np.float32]
    viewing: Viewing

    @classmethod
    def of(cls, frame: Frame, truth: NDArray[Any], original: Original, viewing: Viewing) -> Yard:
        """Return what judges a frame with its table of true spots."""
        return cls(frame, original, truth, photograph(frame), log_light(frame), viewing)

    def visible(self) -> dict[int, float]:
        """Return by index how plain each true spot is that an observer sees."""
        counted = np.flatnonzero(self.truth["counted"]).tolist()
        levels = {n: self.seen(self.shot.pixels, self.place(n)) for n in counted}
        return {index: level for index, level in levels.items() if level >= SEEN}

    def outcome(self, task: Task) -> FrameOutcome:
        """Return what each pipeline makes of the frame."""
        visible = self.visible()
        outcomes: list[Outcome] = []
        for spec in task.detectors:
            name, spots, known = self.candidates(spec, visible)
            hits = self.hits(spots, visible)
            for repair in task.repairs:
                outcomes += self.mended(name, load_repair(repair), spots, known, hits)
        scene = self.frame.scene
        clean = int((self.original.depth < CLEAN).sum())
        return FrameOutcome(
            scene.digest, task.ground, scene.optics.f_number, scene.block, clean, visible, tuple(outcomes)
        )

    def place(self, index: int) -> tuple[float, float, float]:
        """Return x, y and width of a true spot."""
        row = self.truth[index]
        return float(row["x"]), float(row["y"]), float(row["fwhm_px"])

    def seen(self, pixels: NDArray[Any], place: tuple[float, float, float]) -> float:
        """Return how plainly a place differs from the original, the texture's masking taken off."""
        ppd = self.viewing.pixels_per_degree
        encoding = self.shot.encoding
        plain = difference_seen(pixels, self.original.pixels, place, encoding=encoding, ppd=ppd)
        width = np.array([place[2]])
        limit = shadow_threshold(width, pixels_per_degree=ppd, luminance_cd_m2=self.viewing.luminance_cd_m2)
        return plain / float(masking_elevation(self.contrast(place), limit)[0])

    def contrast(self, place: tuple[float, float, float]) -> NDArray[np.float64]:
        """Return the contrast of the clean ground about a place."""
        rows, columns = window_about(self.shot.shape, place[:2], 5 * place[2])
        at = np.array([place[0] - columns.start]), np.array([place[1] - rows.start])
        return contrast_about(self.log[rows, columns], *at, fwhm_px=np.array([place[2]]))

    def candidates(self, spec: str, visible: dict[int, float]) -> tuple[str, Spots, Known]:
        """Return a detector's name, its strongest candidates and what is known of them."""
        distance = self.frame.scene.optics.filter_distance_mm
        if spec not in (KNOWN, KNOWN_SIZES):
            detector = load_detector(spec)
            answer = detector.detect([self.shot])
            check_answer(answer, [self.shot])
            return detector.name, answer[0].strongest(MOST), Known(distance)
        rows = self.truth[sorted(visible)]
        spots = Spots(rows["x"], rows["y"], rows["fwhm_px"], rows["visibility"])
        if spec == KNOWN:
            return spec, spots, Known(distance)
        errors = np.random.default_rng(int(self.frame.scene.digest, 16)).normal(0, SIZE_ERROR, len(rows))
        sizes = rows["diameter_um"].astype(float) * np.exp(errors)
        return spec, spots, Known(distance, sizes, SIZE_ERROR, place_px=0.4)

    def hits(self, spots: Spots, visible: dict[int, float]) -> NDArray[np.intp]:
        """Return for each candidate the visible spot that it hits, −1 for none."""
        table = self.truth.copy()
        table["counted"] = np.isin(np.arange(len(table)), list(visible))
        verdicts = judged(spots, table, footprint=self.frame.footprint, ignored=self.frame.ignored)
        found = np.full(len(spots), -1, dtype=np.intp)
        order = np.argsort(-spots.score, kind="stable")
        found[order] = np.where(verdicts["kind"] == HIT, verdicts["truth"], -1)
        return found

    def mended(self, name: str, repair: Repair, spots: Spots, known: Known, hits: NDArray[np.intp]) -> list[Outcome]:
        """Return the outcome of each candidate mended alone."""
        return [self.alone(name, repair, spots.take(np.array([n])), known.take(np.array([n])), int(hits[n]))
                for n in range(len(spots))]  # fmt: skip

    def alone(self, name: str, repair: Repair, spot: Spots, known: Known, truth: int) -> Outcome:
        """Return the outcome of one candidate; `truth` is the spot that it hits, −1 for none."""
        done = repair.repair(self.shot, spot, known)
        own = (float(spot.x[0]), float(spot.y[0]), float(spot.diameter_px[0]))
        place = self.place(truth) if truth >= 0 else own
        touched = np.nonzero(done.touched)
        box = tuple(slice(int(line.min()), int(line.max()) + 1) if len(line) else slice(0, 0) for line in touched)
        encoding = self.shot.encoding
        wrong = harmed(done.pixels, self.shot.pixels, self.original, window=(box[0], box[1]), encoding=encoding)
        before = self.seen(self.shot.pixels, place)
        fine = texture_variances(done.pixels, self.original.pixels, place, encoding=encoding)
        return Outcome(
            detector=name,
            repair=repair.name,
            score=float(spot.score[0]),
            truth=truth,
            how=done.spots[0].how,
            before=before,
            after=self.seen(done.pixels, place) if done.touched.any() else before,
            depth=float(self.truth["depth"][truth]) if truth >= 0 else float("nan"),
            harmed_px=int(wrong.sum()),
            fine=fine[0],
            fine_original=fine[1],
        )
