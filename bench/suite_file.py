"""Reading suites from TOML, with messages that name the line or the key."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from collections.abc import Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from ..generators.backgrounds import make
from ..generators.camera import Camera
from ..generators.camera_presets import preset
from ..generators.contamination import State, read_state
from ..generators.distractors import Distractors
from ..generators.names import nearest as _known
from ..generators.optics import Optics
from ..generators.particles import Population
from .errors import YardError
from .suite import Ground, Suite
from .visibility import MM_PER_INCH, Viewing

T = TypeVar("T")

_TOP = ("name", "version", "summary", "seed", "frames", "f_numbers")
_TABLES: dict[str, type] = {
    "camera": Camera,
    "optics": Optics,
    "viewing": Viewing,
    "distractors": Distractors,
}


def suite_names(*folder: str) -> list[str]:
    """Return the names of the suites that ship, or of those in a folder beside them."""
    place = resources.files(__package__).joinpath("suites", *folder)
    return sorted(item.name.removesuffix(".toml") for item in place.iterdir() if item.name.endswith(".toml"))


def load_suite(spec: str) -> Suite:
    """Return a suite by its name, or from a path that ends in .toml.

    Raises
    ------
    YardError
        If there is none, or it is malformed: the message names the line or the key.
    """
    where = spec if spec.endswith(".toml") else f"{spec}.toml"
    return parse_suite(suite_text(spec), where=where)


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise YardError(f"{path} is not UTF-8 text ({error.reason} at byte {error.start}); save it as UTF-8") from error


def suite_text(spec: str, *folder: str, what: str = "suite") -> str:
    """Return the TOML of a suite by its name, or from a path that ends in .toml.

    Parameters
    ----------
    folder
        As in `suite_names`.
    what
        What the suites are called in messages.

    Raises
    ------
    YardError
        If there is none, or it is not text.
    """
    names = suite_names(*folder)
    if spec.endswith(".toml"):
        path = Path(spec)
        if not path.is_file():
            raise YardError(f"no suite file at {spec}; known {what}s are {', '.join(names)}")
        return _text(path)
    if spec not in names:
        raise YardError(f"unknown {what} {spec!r}; {_known(spec, names)}")
    return resources.files(__package__).joinpath("suites", *folder, f"{spec}.toml").read_text(encoding="utf-8")


def suite_table(text: str, *, where: str, needed: Sequence[str], allowed: Sequence[str]) -> dict[str, Any]:
    """Return the top table of TOML text that has every needed key and none beside them but the allowed."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise YardError(f"{where} is not valid TOML: {error}") from error
    for key in raw:
        if key not in {*needed, *allowed}:
            raise YardError(f"{where}: unknown key {key!r}; {_known(key, [*needed, *allowed])}")
    for key in needed:
        if key not in raw:
            raise YardError(f"{where}: key {key!r} is missing")
    return raw


def parse_suite(text: str, *, where: str) -> Suite:
    """Return the suite that TOML text describes; `where` names it in messages."""
    raw = suite_table(text, where=where, needed=(*_TOP, "ground"), allowed=(*_TABLES, "population", "skip"))
    raw = {
        **raw,
        "camera": _camera_fields(raw.get("camera", {}), where=f"{where}, [camera]"),
        "viewing": _viewing_fields(raw.get("viewing", {}), where=f"{where}, [viewing]"),
    }
    tables = {key: _table(kind, raw.get(key, {}), where=f"{where}, [{key}]") for key, kind in _TABLES.items()}
    return Suite(
        name=_typed(raw, "name", str, where),
        version=_typed(raw, "version", int, where),
        summary=_typed(raw, "summary", str, where),
        seed=_at_least(_typed(raw, "seed", int, where), 0, key="seed", where=where),
        frames=_at_least(_typed(raw, "frames", int, where), 1, key="frames", where=where),
        f_numbers=_f_numbers(raw["f_numbers"], where),
        grounds=_grounds(raw["ground"], where),
        population=_population(raw.get("population", {}), where=f"{where}, [population]"),
        skip=_skip(raw.get("skip", []), where),
        **tables,
    )


def _camera_fields(raw: Any, *, where: str) -> Any:
    """Return the camera's keys with a preset, if one is named, spread out beneath them."""
    if not isinstance(raw, dict) or "preset" not in raw:
        return raw
    try:
        return {**preset(raw["preset"]), **{key: value for key, value in raw.items() if key != "preset"}}
    except ValueError as error:
        raise YardError(f"{where}: {error}") from error


def _viewing_fields(raw: Any, *, where: str) -> Any:
    """Return the viewing's keys with the pixel pitch of a screen, if one is given, as pixels an inch."""
    if not isinstance(raw, dict) or "screen_pitch_mm" not in raw:
        return raw
    pitch = raw["screen_pitch_mm"]
    if "ppi" in raw:
        raise YardError(f"{where}: 'ppi' is of a print, 'screen_pitch_mm' of a screen; give one of them")
    if not _number(pitch) or not pitch > 0:
        raise YardError(f"{where}: key 'screen_pitch_mm' must be a positive number, not {pitch!r}")
    return {"ppi": MM_PER_INCH / pitch, **{key: value for key, value in raw.items() if key != "screen_pitch_mm"}}


def _typed(raw: Mapping[str, Any], key: str, kind: type[T], where: str) -> T:
    value = raw[key]
    if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
        raise YardError(f"{where}: key {key!r} must be of type {kind.__name__}, not {value!r}")
    return value


def _at_least(value: int, least: int, *, key: str, where: str) -> int:
    if value < least:
        raise YardError(f"{where}: key {key!r} must be at least {least}, not {value}")
    return value


def _f_numbers(value: Any, where: str) -> tuple[float, ...]:
    good = isinstance(value, list) and value and all(_number(item) and 0 < item < math.inf for item in value)
    if not good or len(set(value)) != len(value):
        raise YardError(f"{where}: key 'f_numbers' must be a list of different positive numbers, not {value!r}")
    return tuple(float(item) for item in value)


def _skip(value: Any, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise YardError(f"{where}: key 'skip' must be a list of detectors' names, not {value!r}")
    return tuple(value)


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _table(kind: type, raw: Any, *, where: str) -> Any:
    fields = {item.name: item for item in dataclasses.fields(kind)}
    if not isinstance(raw, dict):
        raise YardError(f"{where} must be a table of keys, not {raw!r}")
    for key, value in raw.items():
        if key not in fields:
            raise YardError(f"{where}: unknown key {key!r}; {_known(key, list(fields))}")
        default = fields[key].default
        if isinstance(default, bool):
            if not isinstance(value, bool):
                raise YardError(f"{where}: key {key!r} must be true or false, not {value!r}")
        elif type(default) is int and not (isinstance(value, int) and not isinstance(value, bool)):
            raise YardError(f"{where}: key {key!r} must be a whole number, not {value!r}")
        elif isinstance(default, int | float) and not _number(value):
            raise YardError(f"{where}: key {key!r} must be a number, not {value!r}")
    try:
        return kind(**raw)
    except (TypeError, ValueError) as error:
        raise YardError(f"{where}: {error}") from error


def _population(raw: Any, *, where: str) -> Population | State:
    """Return a law of grains, or with a key `state` the named state, its tables overridden by those given."""
    if not isinstance(raw, dict) or "state" not in raw:
        population: Population = _table(Population, raw, where=where)
        return population
    overrides = dict(raw)
    state = overrides.pop("state")
    if not isinstance(state, str):
        raise YardError(f"{where}: key 'state' must name a state, not {state!r}")
    try:
        return read_state(state, overrides)
    except ValueError as error:
        raise YardError(f"{where}: {error}") from error


def _grounds(value: Any, where: str) -> tuple[Ground, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(item, dict) for item in value):
        raise YardError(f"{where}: give at least one [[ground]] table with a background")
    grounds = tuple(_ground(item, where) for item in value)
    labels = [ground.label for ground in grounds]
    for label in labels:
        if labels.count(label) > 1:
            raise YardError(f"{where}: two grounds are labelled {label!r}; give one a label of its own")
    return grounds


def _ground(raw: dict[str, Any], where: str) -> Ground:
    options = dict(raw)
    background = options.pop("background", None)
    if not isinstance(background, str):
        raise YardError(f"{where}, [[ground]]: key 'background' must name a background, not {background!r}")
    label = options.pop("label", background)
    if not isinstance(label, str) or "/" in label:
        raise YardError(f"{where}, [[ground]]: key 'label' must be a word without '/', not {label!r}")
    try:
        make(background, options)
    except ValueError as error:
        raise YardError(f"{where}, [[ground]]: {error}") from error
    return Ground(label, background, tuple(sorted(options.items())))
