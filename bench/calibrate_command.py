"""`moteyard calibrate`: make a detector's scores probabilities, and see whether they hold."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from ..detectors.calibrated import FITTED_ON, Calibration, write_calibration
from ..detectors.registry import load
from .calibration import KINDS, Grid, Trial, chosen, cross_validated, fit_grid
from .calibration_sample import Judged, gather, scenes_apart
from .curve import curve
from .errors import YardError
from .learned import learned_from
from .reliability import Reliability
from .run import fingerprints
from .stated import by_ground
from .suite_file import load_suite
from .terminal import failure_lines, share, wrapped

JUDGED_ON = "develop"
"""Seeds that probabilities are judged on: none that they were fitted on, none that `rank` judges on."""


def calibrate(spec: str, *, detector: str, out: Path | None, workers: int | None) -> int:
    """Fit, judge, print, and write a file and a picture. Returns the exit status: 1 if the detector failed."""
    suite = load_suite(spec)
    if detector.endswith(".json"):
        raise YardError(f"{detector} is a calibration already; name the detector that it wraps")
    ((name, fingerprint),) = fingerprints([detector]).items()
    file, picture = _outputs(out, name)
    seeds = _seeds_to_fit_on(detector, name)
    scenes = list(suite.scenes(seeds)) if seeds != JUDGED_ON else scenes_apart(suite, seeds)
    fitted = gather(suite, detector, scenes, desc=f"fitting ({seeds})", workers=workers)
    if fitted.failures:
        return _failed(fitted)
    kind, trials, grid = _fit(fitted, name)
    judged = gather(suite, detector, list(suite.scenes(JUDGED_ON)), desc=f"judging ({JUDGED_ON})", workers=workers)
    if judged.failures:
        return _failed(judged)
    calibration = Calibration(
        detector=detector,
        name=name,
        fingerprint=fingerprint,
        suite=f"{suite.name} version {suite.version}",
        seeds=seeds,
        frames=fitted.frames,
        log2_f_numbers=grid.log2_f_numbers,
        log_textures=grid.log_textures,
        maps=grid.maps,
    )
    shown = reliabilities(grid, judged)
    print("\n".join([*fit_lines(calibration, trials, kind), "", *reliability_lines(shown, judged, grid)]))
    from .report.reliability_plot import write_reliability  # matplotlib is slow to import

    file.parent.mkdir(parents=True, exist_ok=True)
    write_reliability(shown, picture, title=f"{name} on {judged.frames} frames that it was not fitted on")
    write_calibration(calibration, file)
    print(f"\nwritten: {file}, {picture}; next: moteyard find PHOTO… --detector {file} --threshold 0.5")
    return 0


def _seeds_to_fit_on(detector: str, name: str) -> str:
    """Return the first namespace that the detector was not taught on, of those that may be fitted on.

    A method that learned from train seeds is fitted on frames of develop seeds that it is not judged on.
    """
    taught = learned_from(load(detector))
    if JUDGED_ON in taught:
        raise YardError(
            f"{name} was taught on {JUDGED_ON} seeds, on which calibrations are judged; its scores there would "
            "flatter it, so choose a threshold for it as it is: moteyard rank, then moteyard threshold"
        )
    return next(seeds for seeds in FITTED_ON if seeds not in taught)


def _failed(judged: Judged) -> int:
    print("\n".join(failure_lines(judged.failures)), file=sys.stderr)
    return 1


def _outputs(out: Path | None, name: str) -> tuple[Path, Path]:
    file = out or Path(f"{name}.calibration.json")
    if file.suffix != ".json":
        raise YardError(f"a calibration's file must end in .json, not {file.name!r}")
    for path in (file, file.with_suffix(".png")):
        if path.exists():
            raise YardError(f"{path} exists already; choose another --out or move it away")
    return file, file.with_suffix(".png")


def _fit(fitted: Judged, name: str) -> tuple[str, list[Trial], Grid]:
    if not fitted.sample.hit.any():
        raise YardError(f"{name} found none of {fitted.truths} shadows; there is nothing to tell apart by its scores")
    try:
        trials = cross_validated(fitted.sample)
    except ValueError as error:
        raise YardError(f"{name} can't be calibrated: {error}") from error
    kind = chosen(trials)
    return kind, trials, fit_grid(fitted.sample, **KINDS[kind])


def reliabilities(grid: Grid, judged: Judged) -> dict[str, Reliability]:
    """Return how well the probabilities hold over all and on each ground."""
    sample = judged.sample
    return by_ground(grid.probability(sample), sample.hit, ground=judged.ground, block=sample.block)


def fit_lines(calibration: Calibration, trials: Sequence[Trial], kind: str) -> list[str]:
    """Return what was fitted, for the terminal."""
    lines = [
        f"CALIBRATION   {calibration.name}, fitted on {calibration.frames} frames of {calibration.suite}, "
        f"{calibration.seeds} seeds" + (", none of those below" if calibration.seeds == JUDGED_ON else ""),
        f"    {'cross-validated':<26}{'Brier score':>12}{'above the best':>20}",
    ]
    for trial in trials:
        mark = "  taken" if trial.kind == kind else ""
        lines.append(f"    {trial.kind:<26}{trial.brier:>12.5f}{trial.excess:>12.5f} ± {trial.error:.5f}{mark}")
    return lines


def reliability_lines(shown: Mapping[str, Reliability], judged: Judged, grid: Grid) -> list[str]:
    """Return how well it holds, for the terminal."""
    lines = [
        f"RELIABILITY   on {judged.frames} frames of {JUDGED_ON} seeds",
        f"    {'':12}{'candidates':>11}{'error':>9}{'by chance':>11}{'debiased':>10}{'Brier':>9}{'of share':>10}",
    ]
    for name, one in shown.items():
        lines.append(
            f"    {name[:11]:<12}{one.count:>11}{one.error:>9.4f}{one.error_of_perfect:>11.4f}{one.debiased:>10.4f}"
            f"{one.brier:>9.4f}{one.brier_of_share:>10.4f}"
        )
    before, after = (
        curve(score, judged.sample.hit, truths=judged.truths, frames=judged.frames).average_precision()
        for score in (judged.sample.score, grid.probability(judged.sample))
    )
    lines += wrapped(
        "    error: mean distance of probability and share of dust, over bins; by chance: what perfect probabilities "
        "stay under in 95 % of cases; debiased: root mean square, chance taken off; of share: Brier score of calling "
        "everything by the overall share of dust"
    )
    lines.append(
        f"    average precision over all grounds together: {share(before)} by score, {share(after)} by probability"
    )
    return lines
