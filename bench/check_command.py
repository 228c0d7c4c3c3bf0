"""`moteyard check`: one detector's manners, and what it does on a few frames, for its writer."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from tqdm import tqdm

from ..detectors.registry import load
from .ceiling import NAME as IDEAL
from .ceiling import ceiling
from .cells import Record, Table, grounds, pooled_curve, where
from .check_look import Look, lenient_thresholds, look
from .contract_run import Verdict, contract_verdicts
from .engine import cores, run_jobs
from .errors import YardError
from .judge import Job
from .run import fingerprints
from .store import ResultRow
from .suite import Suite
from .suite_file import load_suite
from .terminal import failure_lines, share, wrapped

PEERS = ("blob_dog", "matched")
"""What a newcomer is shown beside: a library's method and the best of the single-frame methods here."""


@dataclass(frozen=True, slots=True)
class Findings:
    """All that a page and the terminal say of a detector.

    Attributes
    ----------
    spec, name
        What was checked.
    verdicts
        Of the contract.
    table
        Records of the detector, the peers and the ideal observer; without the detector where it failed.
    failures
        The detector's results that did not come.
    thresholds
        By ground, the score down to which at most one false alarm a frame is left on these frames.
    look
        Crops, or None where it failed.
    """

    spec: str
    name: str
    verdicts: tuple[Verdict, ...]
    table: Table
    failures: tuple[ResultRow, ...]
    thresholds: Mapping[str, float]
    look: Look | None

    @property
    def broken(self) -> list[Verdict]:
        """The demands that are not met."""
        return [verdict for verdict in self.verdicts if verdict.problem is not None]

    @property
    def precision(self) -> dict[str, dict[str, float]]:
        """Average precision by ground and method."""
        return {
            ground: {
                method: pooled_curve(records).average_precision()
                for method, records in where(self.table, ground=ground).items()
            }
            for ground in grounds(self.table)
        }


def check(spec: str, *, suite: str, out: Path | None, workers: int | None) -> int:
    """Check a detector, print what fails and how to mend it, write a page. Returns 1 if the contract is broken."""
    detector = load(spec)
    recipe = replace(load_suite(suite), frames=2)
    page = _page(out, str(detector.name))
    with tqdm(contract_verdicts(spec), desc="contract", unit="check", file=sys.stderr, leave=False) as bar:
        verdicts = tuple(bar)
    print("\n".join(verdict_lines(spec, verdicts)))
    if verdicts[0].problem is None:
        findings = judged(spec, recipe, verdicts, workers=workers)
        print("\n".join(["", *judgement_lines(findings, recipe)]))
    else:  # no table can be made of a detector without a name
        findings = Findings(spec, str(detector.name), verdicts, {}, (), {}, None)
    from .report.check_page import write_check_page  # templates are slow to import

    write_check_page(page, findings, suite=recipe)
    print(f"\nwritten to {page}; next: moteyard rank quick --detector {spec}")
    return 1 if findings.broken or findings.failures else 0


def _page(out: Path | None, name: str) -> Path:
    """Return where the page goes: a number is added rather than a file replaced."""
    if out is not None:
        if out.exists():
            raise YardError(f"{out} exists already; choose another --out or move it away")
        return out
    stem = "check-" + "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in name)[:40]
    places = (Path(f"{stem}{'' if number == 1 else f'-{number}'}.html") for number in range(1, 10_000))
    return next(place for place in places if not place.exists())


def judged(spec: str, suite: Suite, verdicts: Sequence[Verdict], *, workers: int | None) -> Findings:
    """Put the detector and the peers on the suite's frames of seeds that `rank` never judges on."""
    name = str(load(spec).name)
    peers = tuple(peer for peer in PEERS if peer != name)
    fingerprints([spec, *peers])
    jobs = [
        Job(scene.to_json(), scene.name.split("/")[0], (spec, *peers), suite.viewing)
        for scene in suite.scenes("develop")
    ]
    records: dict[str, list[Record]] = {}
    failures = []
    with tqdm(total=len(jobs), unit="frame", desc="judging", file=sys.stderr, leave=False) as bar:
        for frame, results in run_jobs(jobs, workers=workers or cores()):
            failures += [row for row in results if row.problem is not None]
            if frame is not None:
                for row in results:
                    records.setdefault(row.detector, []).append(Record(frame, row))
            bar.update(frame is not None)
    return _found(spec, name, verdicts, _ordered(records, len(jobs)), failures)


def _ordered(records: dict[str, list[Record]], count: int) -> Table:
    """Return the methods that answered on every frame, their records in one order."""
    return {
        name: sorted(some, key=lambda record: record.frame.name)
        for name, some in records.items()
        if len(some) == count and all(record.result.problem is None for record in some)
    }


def _found(spec: str, name: str, verdicts: Sequence[Verdict], table: Table, failures: Sequence[ResultRow]) -> Findings:
    mine = table.get(name)
    lenient = lenient_thresholds(mine) if mine else {}
    thresholds = {ground: lenient[ground] for ground in grounds(table) if ground in lenient}
    some = mine or next(iter(table.values()), None)
    order = [method for method in (name, *PEERS) if method in table]
    shown = {method: table[method] for method in order} | ({IDEAL: ceiling(some)} if some else {})
    return Findings(
        spec=spec,
        name=name,
        verdicts=tuple(verdicts),
        table=shown,
        failures=tuple(row for row in failures if row.detector == name),
        thresholds=thresholds,
        look=look(mine, thresholds) if mine else None,
    )


def verdict_lines(spec: str, verdicts: Sequence[Verdict]) -> list[str]:
    """Return the contract's outcome for the terminal."""
    broken = sum(verdict.problem is not None for verdict in verdicts)
    state = f"{broken} of {len(verdicts)} demands are not met" if broken else f"all {len(verdicts)} demands are met"
    lines = [f"CONTRACT   {spec}: {state}"]
    for verdict in verdicts:
        lines.append(f"    {'FAILS' if verdict.problem else 'ok':<7}{verdict.name}")
        if verdict.problem:
            lines += wrapped(f"           {verdict.demand}: {' '.join(verdict.problem.split())}")
            lines += wrapped(f"           To mend it: {verdict.mend}.")
    return lines


def judgement_lines(findings: Findings, suite: Suite) -> list[str]:
    """Return what it found, for the terminal."""
    frames = sum(1 for _ in suite.scenes("develop"))
    lines = [f"JUDGED     {frames} frames of suite {suite.name}, seeds for trying things out"]
    lines += failure_lines(findings.failures)
    lines.append(f"    {'average precision':<20}" + "".join(f"{method[:10]:>11}" for method in findings.table))
    for ground, values in findings.precision.items():
        lines.append(f"    {ground:<20}" + "".join(f"{share(value):>11}" for value in values.values()))
    if findings.look is not None:
        hits, misses, false = findings.look.counts
        lines.append(
            f"    {hits} hits, {misses} misses, {false} false alarms at one false alarm a frame or fewer: score ≥"
        )
        lines.append("    " + ", ".join(f"{value:.3g} on {ground}" for ground, value in findings.thresholds.items()))
        lines.append(f"    CPU time: {cpu_s_per_megapixel(findings):.3f} s a megapixel, median of the frames")
    return [*lines, *wrapped("    So few frames show kinds of mistakes and rank nothing.")]


def cpu_s_per_megapixel(findings: Findings) -> float:
    """Return the median CPU time of the detector."""
    times = [record.result.cpu_s / record.frame.megapixels for record in findings.table[findings.name]]
    return float(np.median(times))
