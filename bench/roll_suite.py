"""Suites of rolls: which rolls are rendered and after how many photographs they are judged, as data with a version."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from ..generators.camera import Camera
from ..generators.names import nearest
from ..generators.optics import Optics
from ..generators.roll import Roll
from ..generators.roll_plan import RollPlan, make_roll
from .errors import YardError
from .suite_file import (  # one reading of tables for both
    _at_least,
    _f_numbers,
    _population,
    _table,
    _typed,
    suite_names,
    suite_table,
    suite_text,
)

_TOP = ("name", "version", "summary", "seed", "rolls", "counts")
_KIND = ("label", "theme", "f_numbers", "lens_changes", "tripod")


@dataclass(frozen=True, slots=True)
class Kind:
    """Rolls of one make-up: a label in tables and the recipe."""

    label: str
    plan: RollPlan


@dataclass(frozen=True, slots=True)
class RollSuite:
    """A recipe for rolls; scores of different versions are never mixed.

    Attributes
    ----------
    rolls
        Rolls a kind.
    counts
        Judged after so many photographs, rising; the last is a roll's length.
    """

    name: str
    version: int
    summary: str
    seed: int
    rolls: int
    counts: tuple[int, ...]
    kinds: tuple[Kind, ...]

    @property
    def digest(self) -> str:
        """Eight hex digits that name the recipe's content."""
        return hashlib.sha256(json.dumps(asdict(self), sort_keys=True).encode()).hexdigest()[:8]

    def made(self, namespace: str = "report") -> Iterator[tuple[str, Roll]]:
        """Yield the kind's label and the roll, kind by kind."""
        for kind in self.kinds:
            for number in range(self.rolls):
                name = f"{kind.label}/{number:03d}"
                yield kind.label, make_roll(kind.plan, name, entropy=self.seed, namespace=namespace)


def roll_suite_names() -> list[str]:
    """Return the names of the roll suites that ship."""
    return suite_names("rolls")


def load_roll_suite(spec: str) -> RollSuite:
    """Return a roll suite by its name, or from a path that ends in .toml.

    Raises
    ------
    YardError
        If there is none, or it is malformed: the message names the line or the key.
    """
    where = spec if spec.endswith(".toml") else f"{spec}.toml"
    return parse_roll_suite(suite_text(spec, "rolls", what="roll suite"), where=where)


def parse_roll_suite(text: str, *, where: str) -> RollSuite:
    """Return the roll suite that TOML text describes; `where` names it in messages."""
    raw = suite_table(text, where=where, needed=(*_TOP, "kind"), allowed=("camera", "optics", "population"))
    counts = _counts(raw["counts"], where)
    return RollSuite(
        name=_typed(raw, "name", str, where),
        version=_typed(raw, "version", int, where),
        summary=_typed(raw, "summary", str, where),
        seed=_typed(raw, "seed", int, where),
        rolls=_at_least(_typed(raw, "rolls", int, where), 1, key="rolls", where=where),
        counts=counts,
        kinds=_kinds(raw, counts[-1], where),
    )


def _counts(value: Any, where: str) -> tuple[int, ...]:
    whole = isinstance(value, list) and all(type(item) is int and item > 0 for item in value)
    if not whole or not value or sorted(set(value)) != value:
        raise YardError(f"{where}: key 'counts' must be a list of rising whole numbers from 1, not {value!r}")
    return tuple(value)


def _kinds(raw: Mapping[str, Any], exposures: int, where: str) -> tuple[Kind, ...]:
    shared = {
        "camera": _table(Camera, raw.get("camera", {}), where=f"{where}, [camera]"),
        "optics": _table(Optics, raw.get("optics", {}), where=f"{where}, [optics]"),
        "population": _population(raw.get("population", {}), where=f"{where}, [population]"),
    }
    listed = raw["kind"]
    if not isinstance(listed, list) or not listed or not all(isinstance(item, dict) for item in listed):
        raise YardError(f"{where}: give at least one [[kind]] table with a theme")
    kinds = tuple(_kind(item, shared, exposures=exposures, where=f"{where}, [[kind]]") for item in listed)
    labels = [kind.label for kind in kinds]
    for label in labels:
        if labels.count(label) > 1:
            raise YardError(f"{where}: two kinds are labelled {label!r}; give one a label of its own")
    return kinds


def _kind(item: Mapping[str, Any], shared: Mapping[str, Any], *, exposures: int, where: str) -> Kind:
    for key in item:
        if key not in _KIND:
            raise YardError(f"{where}: unknown key {key!r}; {nearest(key, _KIND)}")
    if "theme" not in item:
        raise YardError(f"{where}: key 'theme' is missing")
    theme = _typed(item, "theme", str, where)
    options: dict[str, Any] = {"lens_changes": _typed({"lens_changes": 0, **item}, "lens_changes", int, where)}
    options["tripod"] = _typed({"tripod": False, **item}, "tripod", bool, where)
    if "f_numbers" in item:
        options["f_numbers"] = _f_numbers(item["f_numbers"], where)
    try:
        plan = RollPlan(theme=theme, exposures=exposures, test_frames=0, **shared, **options)
    except ValueError as error:
        raise YardError(f"{where}: {error}") from error
    return Kind(_typed({"label": theme, **item}, "label", str, where), plan)
