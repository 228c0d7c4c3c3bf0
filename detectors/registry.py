"""Where detectors come from: installed entry points, and files named on the command line."""

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

from .contract import Detector

GROUP = "moteyard.detectors"
"""Entry-point group under which a distribution registers its detectors."""


class DetectorError(ValueError):
    """A detector cannot be found or loaded; the message says why in one sentence."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the list of detectors.

    Attributes
    ----------
    name
        What `load` takes.
    version
        The detector's version, or None where it cannot be loaded.
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


def names() -> list[str]:
    """Return the registered names, sorted; imports none of them."""
    return sorted({point.name for point in _registry(entry_points, tuple(sys.path))})


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
    path, colon, class_name = spec.rpartition(":")
    if colon and path.endswith(".py"):
        return _made(_from_file(Path(path), class_name), spec)
    return _made(_registered(spec), spec)


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


def entries() -> list[Entry]:
    """Return every registered detector, the broken ones with their problem."""
    return [_entry(name) for name in names()]


def _entry(name: str) -> Entry:
    where = ", ".join(_where(point) for point in _points(name))
    try:
        detector = load(name)
    except DetectorError as error:
        return Entry(name=name, version=None, where=where, problem=str(error), summary="")
    summary = (type(detector).__doc__ or "").strip().partition("\n")[0]
    return Entry(name=name, version=detector.version, where=where, problem=None, summary=summary)


def _points(name: str) -> list[EntryPoint]:
    return [point for point in _registry(entry_points, tuple(sys.path)) if point.name == name]


@lru_cache(maxsize=1)
def _registry(read: Callable[..., EntryPoints], path: tuple[str, ...]) -> tuple[EntryPoint, ...]:
    """Return all registered detectors; reading every distribution's list takes 20 ms, so it is done once a path."""
    return tuple(read(group=GROUP))


def _where(point: EntryPoint) -> str:
    distribution = point.dist.name if point.dist is not None else "unknown distribution"
    return f"{distribution} ({point.value})"


def _registered(name: str) -> object:
    points = _points(name)
    if not points:
        raise DetectorError(_unknown(name))
    if len({(_where(point)) for point in points}) > 1:
        owners = " and ".join(_where(point) for point in points)
        raise DetectorError(f"the name {name!r} is registered twice, by {owners}; uninstall one of them")
    try:
        loaded: object = points[0].load()
    except Exception as error:  # a plug-in may raise anything on import, and is to be listed nevertheless
        raise DetectorError(f"detector {name!r} of {_where(points[0])} cannot be imported: {_words(error)}") from error
    return loaded


def _unknown(name: str) -> str:
    known = names()
    near = difflib.get_close_matches(name, known, n=1)
    meant = f" (did you mean {near[0]!r}?)" if near else ""
    return f"unknown detector {name!r}{meant}; known are {', '.join(known)}, or path/to/file.py:Class"


def _words(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}"


def _from_file(path: Path, class_name: str) -> object:
    if not path.is_file():
        raise DetectorError(f"there is no detector file {path}")
    module = _module(path.resolve())
    found: object = getattr(module, class_name, None)
    if found is None:
        raise DetectorError(f"{path} has no class {class_name!r}; it has {_classes(module) or 'no class'}")
    return found


def _classes(module: ModuleType) -> str:
    own = (k for k, v in vars(module).items() if isinstance(v, type) and v.__module__ == module.__name__)
    return ", ".join(sorted(own))


def _module(path: Path) -> ModuleType:
    """Import a file under a name of its own, so that two files called alike do not meet."""
    name = f"moteyard_file_{hashlib.sha256(str(path).encode()).hexdigest()[:12]}_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise DetectorError(f"{path} cannot be imported as a Python file")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses and inspect look their module up by name
    try:
        spec.loader.exec_module(module)
    except (Exception, SystemExit) as error:  # whatever a stranger's file raises
        del sys.modules[name]
        raise DetectorError(f"{path} cannot be imported: {_words(error)}") from error
    return module


def _made(found: object, spec: str) -> Detector:
    if not isinstance(found, type):
        raise DetectorError(f"{spec} is not a class but {type(found).__name__}")
    try:
        detector: object = found()
    except Exception as error:  # constructors of strangers may raise anything
        raise DetectorError(f"{spec} cannot be constructed without arguments: {_words(error)}") from error
    lacking = [part for part in ("detect", "name", "version") if not hasattr(detector, part)]
    if lacking or not isinstance(detector, Detector):
        raise DetectorError(f"{spec} is no detector: it lacks {', '.join(lacking)}")
    return detector


def another(detector: Detector) -> Detector:
    """Return a new detector like this one, with nothing in it that it may remember of a photograph."""
    from .calibrated import Calibrated

    if isinstance(detector, Calibrated):
        return Calibrated(another(detector.wrapped), detector.calibration)
    return type(detector)()


def fingerprint(detector: Detector) -> str:
    """Return ``name-version-code``, code being 12 hexadecimal digits of the SHA-256 of its source.

    The source is the file of the detector's class and every file of the same package, or of this one, that it
    draws names from, however far: a changed helper changes the fingerprint too. It is a key for caches. A detector
    that wraps another (as its attribute `wrapped`) draws on that one's source too.
    """
    digest = hashlib.sha256()
    wrapped = getattr(detector, "wrapped", None)
    sources = _sources(type(detector)) | (_sources(type(wrapped)) if isinstance(wrapped, Detector) else set())
    for path in sorted(sources):
        digest.update(path.read_bytes())
    return f"{detector.name}-{detector.version}-{digest.hexdigest()[:12]}"


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
