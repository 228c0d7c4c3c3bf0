"""OpenCV, or one clear sentence about what it lacks.

Import it as ``from ..generators.cv import cv2``: the wheel links a few libraries of the desktop that a
bare server or container does not have, and the loader's own message names a file, not a package.
"""

from __future__ import annotations

__all__ = ["cv2", "explain"]

_DEBIAN_PACKAGE = {
    "libGL.so": "libgl1",
    "libEGL.so": "libegl1",
    "libgthread-2.0.so": "libglib2.0-0t64 (libglib2.0-0 before Debian 13)",
    "libglib-2.0.so": "libglib2.0-0t64 (libglib2.0-0 before Debian 13)",
    "libxcb.so": "libxcb1",
    "libX11.so": "libx11-6",
    "libSM.so": "libsm6",
    "libICE.so": "libice6",
    "libXext.so": "libxext6",
    "libz.so": "zlib1g",
}
"""Shared libraries outside the wheels of OpenCV 4.8…5.0 for Linux (read from their dynamic sections)."""


def explain(error: ImportError) -> str:
    """Return a sentence that says why OpenCV could not be imported and what brings the missing part.

    >>> explain(ImportError("libGL.so.1: cannot open shared object file: No such file or directory"))
    'OpenCV needs the shared library libGL.so.1; on Debian or Ubuntu: apt-get install libgl1'
    """
    library = str(error).partition(":")[0].strip()
    for stem, package in _DEBIAN_PACKAGE.items():
        if library.startswith(stem):
            return f"OpenCV needs the shared library {library}; on Debian or Ubuntu: apt-get install {package}"
    if isinstance(error, ModuleNotFoundError):
        return f"OpenCV is not installed ({error}); pip install opencv-python"
    return f"OpenCV cannot be imported: {error}"


try:
    import cv2
except ImportError as error:
    raise ImportError(explain(error)) from error
