"""The outcome of the regression gate, as a table, as JSON and as JUnit XML."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any
from xml.etree import ElementTree

from .guard import Line, Verdict
from .store import ResultRow
from .terminal import failure_lines, share


@dataclass(frozen=True, slots=True)
class Report:
    """One detector against the baseline.

    Attributes
    ----------
    detector, against
        Its name, and the name of the answers it is held against.
    lines
        Average precision; empty where it failed.
    at_thresholds
        F1 at the thresholds of a file; empty where none is given for this detector.
    time_ratio, time_before
        CPU time of a frame in reference workloads, now and in the baseline.
    failures
        Results that did not come.
    """

    detector: str
    against: str
    lines: tuple[Line, ...]
    at_thresholds: tuple[Line, ...]
    time_ratio: float
    time_before: float
    failures: tuple[ResultRow, ...]

    @property
    def passes(self) -> bool:
        """Whether nothing failed and no line is worse."""
        return not self.failures and all(
            line.verdict is not Verdict.WORSE for line in (*self.lines, *self.at_thresholds)
        )


def report_lines(report: Report, least_effect: float) -> list[str]:
    """Return one detector's table."""
    head = f"GUARD   {report.detector} against the baseline's {report.against}: "
    if report.failures:
        return [head + "FAILED", *failure_lines(report.failures)]
    lines = [head + ("passes" if report.passes else "WORSE")]
    lines += _table("average precision", report.lines)
    if report.at_thresholds:
        lines += _table("F1 at the thresholds", report.at_thresholds)
    if any(line.verdict is Verdict.CANT_TELL for line in (*report.lines, *report.at_thresholds)):
        lines.append("    can't tell: too few frames for so small an effect; it passes, but is no proof")
    lines.append("    the intervals of a table hold together in 95 % of cases")
    lines.append(f"    worse: wholly below 0, and the change itself below −{least_effect:g}")
    change = report.time_ratio / report.time_before
    lines.append(f"    CPU time a frame: {report.time_ratio:.1f} FFT pairs, {change:.2f} × the baseline's")
    return lines


def _table(what: str, shown: Sequence[Line]) -> list[str]:
    lines = [f"    {what}", f"    {'':13}{'before':>7}{'after':>7}{'change':>9}  {'interval':<16}{'can tell':>9}"]
    for line in shown:
        interval = f"{signed(line.difference.low)} … {signed(line.difference.high)}"
        text = f"    {line.ground[:12]:<13}{share(line.before):>7}{share(line.after):>7}"
        text += f"{signed(line.difference.estimate):>9}  {interval:<16}{share(line.resolution):>9}"
        lines.append(f"{text}  {line.verdict.value}")
    return lines


def signed(value: float) -> str:
    """Return a difference with its sign in five characters.

    >>> signed(-0.0214), signed(0.0), signed(float("nan"))
    ('−.021', '+.000', '  –')
    """
    if math.isnan(value):
        return "  –"
    return ("−" if value < 0 else "+") + share(abs(value)).strip()


def as_plain(report: Report) -> dict[str, Any]:
    """Return a report as JSON can hold it; nan is null."""
    plain = {
        "detector": report.detector,
        "against": report.against,
        "passes": report.passes,
        "time_ratio": report.time_ratio,
        "time_ratio_before": report.time_before,
        "failures": [row.problem for row in report.failures],
        "lines": _plain_lines(report.lines),
        "at_thresholds": _plain_lines(report.at_thresholds),
    }
    return {key: _null(value) for key, value in plain.items()}


def _plain_lines(shown: Sequence[Line]) -> list[dict[str, Any]]:
    lines = [
        {
            "ground": line.ground,
            "before": line.before,
            "after": line.after,
            **{key: value for key, value in asdict(line.difference).items() if key != "estimate"},
            "change": line.difference.estimate,
            "can_tell": line.resolution,
            "verdict": line.verdict.value,
        }
        for line in shown
    ]
    return [{key: _null(value) for key, value in line.items()} for line in lines]


def _null(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def junit(reports: Sequence[Report]) -> bytes:
    """Return the reports as JUnit XML: a case a detector and ground, a failure where it is worse or gave no answer."""
    suite = ElementTree.Element("testsuite", name="moteyard guard")
    for report in reports:
        for row in report.failures[:1]:
            case = ElementTree.SubElement(suite, "testcase", classname=report.detector, name="answers")
            ElementTree.SubElement(case, "failure", message=str(row.problem))
        kinds = [(line, "average precision") for line in report.lines]
        kinds += [(line, "F1 at the thresholds") for line in report.at_thresholds]
        for line, what in kinds:
            name = line.ground if what == "average precision" else f"{line.ground}, {what}"
            case = ElementTree.SubElement(suite, "testcase", classname=report.detector, name=name)
            text = f"{line.verdict.value}: {signed(line.difference.estimate)} {what}"
            kind = "failure" if line.verdict is Verdict.WORSE else "system-out"
            ElementTree.SubElement(case, kind, {"message": text} if kind == "failure" else {}).text = text
    cases, failures = suite.findall("testcase"), suite.findall("testcase/failure")
    suite.set("tests", str(len(cases)))
    suite.set("failures", str(len(failures)))
    return bytes(ElementTree.tostring(suite, encoding="utf-8", xml_declaration=True))
