"""Suites of surveys: which sensors are surveyed before and after a clean, as data with a version."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from ...generators.camera import Camera
from ...generators.clean_plan import CleanPlan, make_clean
from ...generators.names import nearest
from ...generators.optics import Optics
from ...generators.roll import Roll
from ..errors import YardError
from ..suite_file import (  # one reading of tables for all suites
    _at_least,
    _camera_fields,
    _f_numbers,
    _population,
    _table,
    _typed,
    suite_names,
    suite_table,
    suite_text,
)

_TOP = ("name", "version", "summary", "seed", "pairs")
_TABLES = ("camera", "optics", "population", "clean")
_PLAIN = ("frames", "f_number", "exit_pupils_mm", "marks")
_CLEAN = ("gone", "moved", "shift_mm", "come", "leaves")


@dataclass(frozen=True, slots=True)
class Kind:
    """A cell: pairs of one make-up, a label in tables and the recipe."""

    label: str
    plan: CleanPlan


@dataclass(frozen=True, slots=True)
class SurveySuite:
    """A recipe for pairs of surveys; scores of different versions are never mixed.

    Attributes
    ----------
    pairs
        Pairs of surveys, before and after a clean, a kind.
    """

    name: str
    version: int
    summary: str
    seed: int
    pairs: int
    kinds: tuple[Kind, ...]

    @property
    def digest(self) -> str:
        """Eight hex digits that name the recipe's content."""
        text = json.dumps(dataclasses.asdict(self), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:8]

    def made(self, namespace: str = "report") -> Iterator[tuple[str, Roll]]:
        """Yield the kind's label and the roll, first every kind's first: an interrupted run has some of each."""
        for number in range(self.pairs):
            for kind in self.kinds:
                name = f"{kind.label}/{number:03d}"
                yield kind.label, make_clean(kind.plan, name, entropy=self.seed, namespace=namespace)


def survey_suite_names() -> list[str]:
    """Return the names of the survey suites that ship."""
    return suite_names("surveys")


def load_survey_suite(spec: str) -> SurveySuite:
    """Return a survey suite by its name, or from a path that ends in .toml.

    Raises
    ------
    YardError
        If there is none, or it is malformed: the message names the line or the key.
    """
    where = spec if spec.endswith(".toml") else f"{spec}.toml"
    return parse_survey_suite(suite_text(spec, "surveys", what="survey suite"), where=where)


def parse_survey_suite(text: str, *, where: str) -> SurveySuite:
    """Return the survey suite that TOML text describes; `where` names it in messages."""
    raw = suite_table(text, where=where, needed=(*_TOP, "kind"), allowed=_TABLES)
    return SurveySuite(
        name=_typed(raw, "name", str, where),
        version=_typed(raw, "version", int, where),
        summary=_typed(raw, "summary", str, where),
        seed=_at_least(_typed(raw, "seed", int, where), 0, key="seed", where=where),
        pairs=_at_least(_typed(raw, "pairs", int, where), 1, key="pairs", where=where),
        kinds=_kinds(raw, where),
    )


def _kinds(raw: Mapping[str, Any], where: str) -> tuple[Kind, ...]:
    listed = raw["kind"]
    if not isinstance(listed, list) or not listed or not all(isinstance(item, dict) for item in listed):
        raise YardError(f"{where}: give at least one [[kind]] table with a label")
    kinds = tuple(_kind(item, raw, f"{where}, [[kind]]") for item in listed)
    labels = [kind.label for kind in kinds]
    for label in labels:
        if labels.count(label) > 1:
            raise YardError(f"{where}: two kinds are labelled {label!r}; give each a label of its own")
    return kinds


def _kind(item: Mapping[str, Any], shared: Mapping[str, Any], where: str) -> Kind:
    known = ("label", *_PLAIN, *_TABLES)
    for key in item:
        if key not in known:
            raise YardError(f"{where}: unknown key {key!r}; {nearest(key, known)}")
    if "label" not in item:
        raise YardError(f"{where}: key 'label' is missing")
    label = _typed(item, "label", str, where)
    tables = {key: _merged(shared, item, key, where) for key in _TABLES}
    camera = _camera_fields(tables["camera"], where=f"{where}, [camera]")
    try:
        plan = CleanPlan(
            camera=_table(Camera, camera, where=f"{where}, [camera]"),
            optics=_table(Optics, tables["optics"], where=f"{where}, [optics]"),
            population=_population(tables["population"], where=f"{where}, [population]"),
            **_plain(item, where),
            **_clean(tables["clean"], f"{where}, [clean]"),
        )
    except ValueError as error:
        raise YardError(f"{where}: {error}") from error
    return Kind(label, plan)


def _merged(shared: Mapping[str, Any], item: Mapping[str, Any], key: str, where: str) -> dict[str, Any]:
    """Return the suite's table with the kind's own keys laid over it, tables within it alike."""
    below, above = shared.get(key, {}), item.get(key, {})
    for table in (below, above):
        if not isinstance(table, dict):
            raise YardError(f"{where}: {key!r} must be a table of keys, not {table!r}")
    both = {name: {**below[name], **above[name]} for name in above if isinstance(below.get(name), dict)}
    return {**below, **above, **both}


def _plain(item: Mapping[str, Any], where: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if "frames" in item:
        found["frames"] = _typed(item, "frames", int, where)
    if "f_number" in item:
        (found["f_number"],) = _f_numbers([item["f_number"]], where)
    if "exit_pupils_mm" in item:
        found["exit_pupils_mm"] = tuple(_numbers(item["exit_pupils_mm"], "exit_pupils_mm", where))
    if "marks" in item:
        (found["marks"],) = _numbers([item["marks"]], "marks", where)
    return found


def _clean(raw: Mapping[str, Any], where: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in raw.items():
        if key not in _CLEAN:
            raise YardError(f"{where}: unknown key {key!r}; {nearest(key, _CLEAN)}")
        if key == "leaves":
            found[key] = _population(value, where=f"{where}.leaves")
        else:
            (found[key],) = _numbers([value], key, where)
    return found


def _numbers(value: Any, key: str, where: str) -> list[float]:
    good = isinstance(value, list) and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
    if not good:
        raise YardError(f"{where}: key {key!r} must be a number, or a list of them where it is one, not {value!r}")
    return [float(v) for v in value]
