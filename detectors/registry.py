"""Where plug-ins come from: installed entry points, and files named on the command line."""

from __future__ import annotations

import difflib
import hashlib
import importlib.util
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import EntryPoint, EntryPoints, entry_points
from pathlib import Path
from types import ModuleType
from typing import Protocol, cast

from .contract import Detector

GROUP = "moteyard.detectors"
"""Entry-point group under which a distribution registers its detectors."""


class PluginError(ValueError):
    """A plug-in cannot be found or loaded; the message says why in one sentence."""


class DetectorError(PluginError):
    """A detector cannot be found or loaded; the message says why in one sentence."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of plug-in.

    Attributes
    ----------
    noun
        What one is called in messages.
    group
        Entry-point group under which a distribution registers its own.
    parts
        What each must have.
    error
        What is raised where one cannot be loaded.
    """

    noun: str
    group: str
    parts: tuple[str, ...]
    error: type[PluginError]


DETECTORS = Kind("detector", GROUP, ("detect", "name", "version"), DetectorError)


class Named(Protocol):
    """What every plug-in has."""

    name: str
    version: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the list of detectors or other plug-ins.

    Attributes
    ----------
    name
        What `load` takes.
    version
        The plug-in's version, or None where it cannot be loaded.
    where
        Distribution and class that the name stands for.
    problem
        Why it cannot be loaded, or None.
    summary
        First line of the class's docstring, or an empty string.
    """

    name: str
    version: str | None
    where: str
    problem: str | None
    summary: str


def names(kind: Kind = DETECTORS) -> list[str]:
    """Return the registered names, sorted; imports none of them."""
    return sorted({point.name for point in _registry(entry_points, kind.group, tuple(sys.path))})


def load(spec: str) -> Detector:
    """Return the detector of a registered name, of ``path/to/file.py:Class`` or of a calibration file.

    A calibration's path ends in .json; it wraps the detector that it names.

    Raises
    ------
    DetectorError
        If the name is unknown or registered by two distributions, the file or class is missing, importing or
        constructing fails, the class has no `detect`, `name` and `version`, or a calibration can't be used.
    """
    if spec.endswith(".json"):
        return _calibrated(Path(spec))
    return cast(Detector, load_plugin(spec, DETECTORS))


def load_plugin(spec: str, kind: Kind) -> Named:
    """Return the plug-in of a registered name or of ``path/to/file.py:Class``; raises the kind's error, see `load`."""
    path, colon, class_name = spec.rpartition(":")
    if colon and path.endswith(".py"):
        return _made(_from_file(Path(path), class_name, kind), spec, kind)
    return _made(_registered(spec, kind), spec, kind)


def _calibrated(path: Path) -> Detector:
    from .calibrated import Calibrated, CalibrationError, read_calibration

    try:
        calibration = read_calibration(path)
    except CalibrationError as error:
        raise DetectorError(str(error)) from error
    wrapped = load(calibration.detector)
    if fingerprint(wrapped) != calibration.fingerprint:
        raise DetectorError(
            f"{path} was fitted for {calibration.fingerprint}, and {calibration.detector} is {fingerprint(wrapped)}: "
            "fit it anew with: moteyard calibrate"
        )
    return Calibrated(wrapped, calibration)


def entries(kind: Kind = DETECTORS) -> list[Entry]:
    """Return every registered plug-in of a kind, the broken ones with their problem."""
    return [_entry(name, kind) for name in names(kind)]


def _entry(name: str, kind: Kind) -> Entry:
    where = ", ".join(_where(point) for point in _points(name, kind))
    try:
        plugin = load_plugin(name, kind)
    except PluginError as error:
        return Entry(name=name, version=None, where=where, problem=str(error), summary="")
    summary = (type(plugin).__doc__ or "").strip().partition("\n")[0]
    return Entry(name=name, version=plugin.version, where=where, problem=None, summary=summary)


def _points(name: str, kind: Kind) -> list[EntryPoint]:
    return [point for point in _registry(entry_points, kind.group, tuple(sys.path)) if point.name == name]


@lru_cache(maxsize=4)
def _registry(read: Callable[..., EntryPoints], group: str, path: tuple[str, ...]) -> tuple[EntryPoint, ...]:
    """Return all that is registered in a group; reading every distribution's list takes 20 ms, so once a path."""
    return tuple(read(group=group))


def _where(point: EntryPoint) -> str:
    distribution = point.dist.name if point.dist is not None else "unknown distribution"
    return f"{distribution} ({point.value})"


def _registered(name: str, kind: Kind) -> object:
    points = _points(name, kind)
    if not points:
        raise kind.error(_unknown(name, kind))
    if len({(_where(point)) for point in points}) > 1:
        owners = " and ".join(_where(point) for point in points)
        raise kind.error(f"the name {name!r} is registered twice, by {owners}; uninstall one of them")
    try:
        loaded: object = points[0].load()
    except Exception as error:  # a plug-in may raise anything on import, and is to be listed nevertheless
        where = _where(points[0])
        raise kind.error(f"{kind.noun} {name!r} of {where} cannot be imported: {_words(error)}") from error
    return loaded


def _unknown(name: str, kind: Kind) -> str:
    known = names(kind)
    near = difflib.get_close_matches(name, known, n=1)
    meant = f" (did you mean {near[0]!r}?)" if near else ""
    return f"unknown {kind.noun} {name!r}{meant}; known are {', '.join(known)}, or path/to/file.py:Class"


def _words(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}"


def _from_file(path: Path, class_name: str, kind: Kind) -> object:
    if not path.is_file():
        raise kind.error(f"there is no {kind.noun} file {path}")
    module = _module(path.resolve(), kind)
    found: object = getattr(module, class_name, None)
    if found is None:
        raise kind.error(f"{path} has no class {class_name!r}; it has {_classes(module) or 'no class'}")
    return found


def _classes(module: ModuleType) -> str:
    own = (k for k, v in vars(module).items() if isinstance(v, type) and v.__module__ == module.__name__)
    return ", ".join(sorted(own))


def _module(path: Path, kind: Kind) -> ModuleType:
    """Import a file under a name of its own, so that two files called alike do not meet."""
    name = f"moteyard_file_{hashlib.sha256(str(path).encode()).hexdigest()[:12]}_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise kind.error(f"{path} cannot be imported as a Python file")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses and inspect look their module up by name
    try:
        spec.loader.exec_module(module)
    except (Exception, SystemExit) as error:  # whatever a stranger's file raises
        del sys.modules[name]
        raise kind.error(f"{path} cannot be imported: {_words(error)}") from error
    return module


def _made(found: object, spec: str, kind: Kind) -> Named:
    if not isinstance(found, type):
        raise kind.error(f"{spec} is not a class but {type(found).__name__}")
    try:
        plugin: object = found()
    except Exception as error:  # constructors of strangers may raise anything
        raise kind.error(f"{spec} cannot be constructed without arguments: {_words(error)}") from error
    lacking = [part for part in kind.parts if not hasattr(plugin, part)]
    if lacking:
        raise kind.error(f"{spec} is no {kind.noun}: it lacks {', '.join(lacking)}")
    return cast(Named, plugin)


def another(detector: Detector) -> Detector:
    """Return a new detector like this one, with nothing in it that it may remember of a photograph."""
    from .calibrated import Calibrated

    if isinstance(detector, Calibrated):
        return Calibrated(another(detector.wrapped), detector.calibration)
    return type(detector)()


def fingerprint(detector: Named) -> str:
    """Return ``name-version-code``, code being 12 hexadecimal digits of the SHA-256 of its source.

    The source is the file of the plug-in's class and every file of the same package, or of this one, that it
    draws names from, however far: a changed helper changes the fingerprint too. It is a key for caches. A detector
    that wraps another (as its attribute `wrapped`) draws on that one's source too.
    """
    digest = hashlib.sha256()
    for path in sorted(sources(detector)):
        digest.update(path.read_bytes())
    return f"{detector.name}-{detector.version}-{digest.hexdigest()[:12]}"


def sources(detector: Named) -> set[Path]:
    """Return the files that a plug-in's fingerprint is made of."""
    wrapped = getattr(detector, "wrapped", None)
    return _sources(type(detector)) | (_sources(type(wrapped)) if isinstance(wrapped, Detector) else set())


def _sources(cls: type) -> set[Path]:
    """Return the source files that the class draws on, of its own top-level package and of this one."""
    packages = {cls.__module__.partition(".")[0], __name__.partition(".")[0]}
    seen: set[str] = set()
    waiting = [cls.__module__]
    files = set()
    while waiting:
        name = waiting.pop()
        module = sys.modules.get(name)
        if name in seen or module is None or name.partition(".")[0] not in packages:
            continue
        seen.add(name)
        file = getattr(module, "__file__", None)
        if file is not None and Path(file).suffix == ".py":
            files.add(Path(file))
        waiting += _drawn_from(module)
    return files


def _drawn_from(module: ModuleType) -> Iterator[str]:
    """Yield the names of the modules that the module's own names come from.

    A package taken as a whole (`import moteyard`) is left out: what hangs on it is what happens to be imported,
    which differs between processes.
    """
    for value in list(vars(module).values()):
        if isinstance(value, ModuleType) and hasattr(value, "__path__"):
            continue
        owner = value.__name__ if isinstance(value, ModuleType) else getattr(value, "__module__", None)
        if isinstance(owner, str):
            yield owner
