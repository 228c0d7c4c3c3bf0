"""With what a run was made: versions that pixels and scores depend on, and the machine."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

_VERSIONED = ("moteyard", "numpy", "scipy", "scikit-image", "opencv-python", "pandas", "pillow", "onnxruntime")


def library_versions() -> str:
    """Return this version and those of the libraries that pixels and scores depend on."""
    return "; ".join(f"{name} {_version(name)}" for name in _VERSIONED)


def _version(name: str) -> str:
    """Return a distribution's version, "none" where it is not installed: onnxruntime is an extra."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "none"


def machine() -> str:
    """Return system, processor and Python."""
    return f"{platform.system()} {platform.machine()}, Python {platform.python_version()}"
