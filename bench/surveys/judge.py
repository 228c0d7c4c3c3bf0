"""A pair of surveys: rendered, surveyed as `moteyard survey` does, compared with the truth."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...detectors.contract import Photograph
from ...detectors.survey import Dust, Stack, stacked
from ...detectors.survey.dust import survey_of_stack, test_optics
from ...generators.jpeg import jpeg_bytes
from ...generators.roll import Roll, filter_at, render_exposure
from ...generators.scene import Frame
from ...generators.truth import Truth
from ..field.survey.compare import compare
from ..field.survey.limit import PIECES, Recipe, Statement, claimed_ground, recipe_of, statement
from ..field.survey.report import clear_at
from ..field.survey.table import Line, counts, lines
from ..field.survey.visible import shows_from, visibility
from ..handover import photograph
from ..match import NO_TRUTH, match
from ..visibility import Viewing
from .fates import Seen, told_of
from .outcome import Measured, Outcome, Survey
from .probes import found_probes

GRAIN = "grain"

PLAIN_DEPTH = 0.1
"""What is no grain counts from this depth on in the test frames."""


@dataclass(frozen=True, slots=True)
class Side:
    """All of one survey: the last frame's labels, what was made of the frames, and which line is which thing.

    Attributes
    ----------
    line_of
        Of each true thing, its line or None.
    """

    truth: Truth
    stack: Stack
    dust: Dust
    table: tuple[Line, ...]
    line_of: tuple[int | None, ...]

    @property
    def is_grain(self) -> NDArray[np.bool_]:
        """Which true things are grains."""
        return np.asarray(self.truth.kind == GRAIN)

    def near(self, margin: float) -> set[int]:
        """Return the lines that lie on any true thing, as far as it reaches and `margin` pixels."""
        truth, found = self.truth, set()
        for line in self.table:
            across = np.maximum(truth.half_width_px, truth.fwhm_px / 2) + margin
            down = np.maximum(truth.half_height_px, truth.fwhm_px / 2) + margin
            if np.any((abs(truth.x - line.x) <= across) & (abs(truth.y - line.y) <= down)):
                found.add(line.number)
        return found


def judge_pair(kind: str, roll_json: str) -> Outcome:
    """Return a pair's outcome; the roll's first half was taken before the clean."""
    roll = Roll.from_json(roll_json)
    half = len(roll) // 2
    frames = [render_exposure(roll, index) for index in range(len(roll))]
    before, after = (_surveyed(part) for part in (frames[:half], frames[half:]))
    told = told_of(
        _seen(roll, before, after),
        compare(before.table, after.table).changes,
        known=(before.near(MARGIN_PX), after.near(MARGIN_PX)),
    )
    return Outcome(
        kind,
        roll.digest,
        before=_judged(roll, before, frames[:half], first=0),
        after=_judged(roll, after, frames[half:], first=half),
        told=tuple(told),
    )


MARGIN_PX = 4.0
"""A line so near to a true thing's outline tells of it."""


def _surveyed(frames: Sequence[Frame]) -> Side:
    shots = [photograph(frame) for frame in frames]
    stack = stacked(shots)
    dust = survey_of_stack(stack, test_optics(shots))
    table = lines(dust, Viewing())
    return Side(frames[-1].truth, stack, dust, table, line_of_each(frames[-1].truth, table))


def line_of_each(truth: Truth, table: Sequence[Line]) -> tuple[int | None, ...]:
    """Return the number of the line that is each true thing, one to one, None where none is."""
    places = np.array([(line.x, line.y) for line in table]).reshape(-1, 2)
    pairs = match(np.column_stack([truth.x, truth.y]), truth.fwhm_px / 2, spots_xy=places)
    found: list[int | None] = [None] * len(truth)
    for line, thing in zip(table, pairs.truth_of_spot.tolist(), strict=True):
        if thing != NO_TRUTH:
            found[thing] = line.number
    return tuple(found)


def _seen(roll: Roll, before: Side, after: Side) -> list[Seen]:
    """Return the grains that lay in the frames whenever they lay on the filter."""
    sides = []
    for side, index in ((before, 0), (after, len(roll) - 1)):
        on_filter = {placed.identity for placed in filter_at(roll, index)}
        rows = {int(identity): row for row, identity in enumerate(side.truth.identity) if side.is_grain[row]}
        sides.append((side, on_filter, rows))
    found = []
    for identity in sorted({*sides[0][2], *sides[1][2]}):
        if any(identity in on_filter and identity not in rows for _, on_filter, rows in sides):
            continue  # another lens put it out of the frame
        places, numbers, size = [], [], math.nan
        for side, _, rows in sides:
            row = rows.get(identity)
            places.append(None if row is None else (float(side.truth.x_mm[row]), float(side.truth.y_mm[row])))
            numbers.append(None if row is None else side.line_of[row])
            size = size if row is None else float(side.truth.diameter_um[row])
        found.append(Seen(size, places[0], places[1], numbers[0], numbers[1]))
    return found


def _judged(roll: Roll, side: Side, frames: Sequence[Frame], *, first: int) -> Survey:
    truth, dust, named = side.truth, side.dust, {line.number: line for line in side.table}
    shots = [photograph(frame) for frame in frames]
    claimed = claimed_ground(side.stack, dust)
    said = statement(_recipe(frames[0], shots[0]), shots, dust, share=float(np.mean(claimed)), pieces=PIECES)
    found, missed, there = [], [], []
    for row in np.flatnonzero(side.is_grain).tolist():
        number, size = side.line_of[row], float(truth.diameter_um[row])
        if number is not None:
            found.append(_measured(truth, row, named[number]))
            continue
        missed.append(size)
        if claimed[_pixel(truth, row, claimed.shape)]:
            there.append(size)
    things = _things(side)
    true_lines = side.near(MARGIN_PX)
    optics = frames[0].scene.optics
    probes, probes_found = found_probes(roll, said.a90_95_um, side.dust, first=first, claimed=claimed)
    return Survey(
        megapixels=claimed.size / 1e6,
        found=tuple(found),
        missed_um=tuple(missed),
        false_um=tuple(line.diameter_um for line in side.table if line.number not in true_lines),
        things=len(things),
        things_told=sum(things),
        distance_mm=optics.filter_distance_mm,
        told_mm=dust.distance.mm,
        low_mm=dust.distance.low_mm,
        high_mm=dust.distance.high_mm,
        limit_um=said.a90_95_um,
        half_um=said.a50_um,
        share=said.share,
        there_um=tuple(there),
        probes=probes,
        probes_found=probes_found,
        clear_to=_clear_to(side, said),
        shows_from=_shows_from(truth.diameter_um[side.is_grain], frames[0]),
    )


def _measured(truth: Truth, row: int, line: Line) -> Measured:
    far = math.hypot(float(truth.x[row]) - line.x, float(truth.y[row]) - line.y)
    return Measured(float(truth.diameter_um[row]), line.diameter_um, far, float(truth.depth[row]), line.depth)


def _pixel(truth: Truth, row: int, shape: tuple[int, ...]) -> tuple[int, int]:
    """Return the pixel under a thing's centre, or under the part of the frame nearest to it."""
    y, x = (round(float(value[row])) for value in (truth.y, truth.x))
    return min(max(y, 0), shape[0] - 1), min(max(x, 0), shape[1] - 1)


def _things(side: Side) -> list[bool]:
    """Return of each thing that is no grain and plain enough whether any place that the survey names lies on it."""
    truth, found = side.truth, []
    places = [(line.x, line.y) for line in side.table] + [*side.dust.odd, *side.dust.doubtful]
    for row in np.flatnonzero(~side.is_grain & (truth.depth >= PLAIN_DEPTH)).tolist():
        across = max(float(truth.half_width_px[row]), float(truth.fwhm_px[row]) / 2) + MARGIN_PX
        down = max(float(truth.half_height_px[row]), float(truth.fwhm_px[row]) / 2) + MARGIN_PX
        found.append(any(abs(truth.x[row] - x) <= across and abs(truth.y[row] - y) <= down for x, y in places))
    return found


def _recipe(frame: Frame, shot: Photograph) -> Recipe:
    camera = frame.scene.camera
    with tempfile.TemporaryDirectory() as folder:  # a file's own tables tell how it was recorded
        path = Path(folder) / "frame"
        if camera.jpeg_quality is None:
            path.write_bytes(b"not a JPEG")
        else:
            path.write_bytes(jpeg_bytes(frame.pixels[:16, :16], camera.jpeg_quality, chroma=camera.jpeg_chroma))
        return recipe_of(path, shot)


def _clear_to(side: Side, said: Statement) -> float:
    if not math.isfinite(said.a90_95_um):
        return 0.0
    limit = visibility(np.array([said.a90_95_um]), side.dust.optics, viewing=Viewing())[0]
    return max(clear_at(counts(side.table), limit.tolist()), default=0.0)


def _shows_from(sizes_um: NDArray[np.float64], frame: Frame) -> float:
    """Return the widest aperture at which a true grain shows and shows at all smaller ones, inf if none does."""
    levels = visibility(sizes_um, frame.scene.optics, viewing=Viewing())
    return min((number for number in shows_from(levels) if number is not None), default=math.inf)
