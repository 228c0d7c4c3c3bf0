"""Reading states from TOML, with messages that name the file and the key."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from ..names import nearest
from ..particles import Even, Population
from .state import KINDS, Share, State, Wipe, ranged

Table = Mapping[str, Any]

_LAW = ("level", "slope", "smallest_um", "largest_um")
_WIPE = ("streaks", "width_mm", "angle_deg")


def state_names() -> list[str]:
    """Return the names of the states that ship."""
    folder = resources.files(__package__)
    return sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))


def state_summary(name: str) -> str:
    """Return the one line that a shipped state's file says of itself."""
    return str(tomllib.loads(_shipped(name))["summary"])


def _shipped(name: str) -> str:
    return (resources.files(__package__) / f"{name}.toml").read_text(encoding="utf-8")


def read_state(spec: str, overrides: Table | None = None) -> State:
    """Return a state by its name, or from a path that ends in .toml.

    Parameters
    ----------
    overrides
        Tables by kind (or "wipe") whose keys replace or extend the file's.

    Raises
    ------
    ValueError
        If there is none, or it is malformed: one sentence that names the file, the key and the nearest
        known name.
    """
    if spec.endswith(".toml"):
        if not Path(spec).is_file():
            raise ValueError(f"no state file at {spec}; known states are {', '.join(state_names())}")
        text = Path(spec).read_text(encoding="utf-8")
    elif spec in state_names():
        text = _shipped(spec)
    else:
        raise ValueError(f"unknown state {spec!r}; {nearest(spec, state_names())}")
    where = spec if spec.endswith(".toml") else f"{spec}.toml"
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"{where} is not valid TOML: {error}") from error
    return parse_state(_merged(raw, overrides or {}), where=where)


def _merged(raw: Table, overrides: Table) -> dict[str, Any]:
    merged = dict(raw)
    for key, table in overrides.items():
        both = isinstance(table, Mapping) and isinstance(merged.get(key), Mapping)
        merged[key] = {**merged[key], **table} if both else table
    return merged


def parse_state(raw: Table, *, where: str) -> State:
    """Return the state of a file's keys; `where` names the file in messages."""
    known = ("name", "summary", *KINDS, "wipe")
    for key, value in raw.items():
        if key not in known:
            raise ValueError(f"{where}: unknown key {key!r}; {nearest(key, known)}")
        if key not in ("name", "summary") and not isinstance(value, Mapping):
            raise ValueError(f"{where}: {key!r} must be a table of keys, not {value!r}")
    if not isinstance(raw.get("name"), str):
        raise ValueError(f"{where}: key 'name' must be a string, not {raw.get('name')!r}")
    shares = tuple(_share(kind, raw[kind], where=f"{where}, [{kind}]") for kind in KINDS if kind in raw)
    if not shares:
        raise ValueError(f"{where}: give at least one table of {', '.join(KINDS)}")
    wipe = _wipe(raw["wipe"], where=f"{where}, [wipe]") if "wipe" in raw else None
    try:
        return State(raw["name"], shares, wipe)
    except ValueError as error:
        raise ValueError(f"{where}: {error}") from error


def _share(kind: str, table: Table, *, where: str) -> Share:
    known = ["mean_count", "along_wipe", *(_LAW if kind == "grain" else ()), *ranged(kind)]
    _check_keys(table, known, where)
    ranges = tuple((key, *_ends(key, table[key], where)) for key in table if key in ranged(kind))
    numbers = {key: _number(key, table[key], where) for key in table if key not in ranged(kind)}
    law = {key: numbers.pop(key) for key in _LAW if key in numbers}
    try:
        return Share(
            kind,
            numbers.get("mean_count"),
            numbers.get("along_wipe", 0.0),
            ranges,
            Population(**law) if kind == "grain" and "diameter_um" not in table else None,
        )
    except ValueError as error:
        raise ValueError(f"{where}: {error}") from error


def _wipe(table: Table, *, where: str) -> Wipe:
    _check_keys(table, _WIPE, where)
    for key in ("streaks", "width_mm"):
        if key not in table:
            raise ValueError(f"{where}: key {key!r} is missing")
    low, high = _ends("angle_deg", table.get("angle_deg", [0, 180]), where)
    _number("streaks", table["streaks"], where)
    try:
        return Wipe(table["streaks"], _number("width_mm", table["width_mm"], where), low, high)
    except ValueError as error:
        raise ValueError(f"{where}: {error}") from error


def _check_keys(table: Table, known: list[str] | tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise ValueError(f"{where}: unknown key {key!r}; {nearest(key, known)}")


def _number(key: str, value: Any, where: str) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise ValueError(f"{where}: key {key!r} must be a number, not {value!r}")
    return float(value)


def _ends(key: str, value: Any, where: str) -> tuple[float, float]:
    """Return the ends of a range, given as two numbers, or as one for both."""
    if isinstance(value, list) and len(value) == 2:
        return _number(key, value[0], where), _number(key, value[1], where)
    if isinstance(value, list):
        raise ValueError(f"{where}: key {key!r} must be a number or two, not {value!r}")
    return _number(key, value, where), _number(key, value, where)


def dust_from(raw: Mapping[str, Any]) -> Population | State | Even:
    """Return the population or state whose fields JSON holds, as `dataclasses.asdict` wrote them."""
    if "low_um" in raw:
        return Even(**raw)
    if "state" not in raw:
        return Population(**raw)
    shares = []
    for share in raw["shares"]:
        law = None if share["law"] is None else Population(**share["law"])
        ranges = tuple((name, low, high) for name, low, high in share["ranges"])
        shares.append(Share(**{**share, "law": law, "ranges": ranges}))
    return State(raw["state"], tuple(shares), None if raw["wipe"] is None else Wipe(**raw["wipe"]))
