"""What a retouched photograph leaves in the output folder: whole or not at all, and nothing of the user's replaced."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import YardError
from ..whole_file import whole_file
from .record import file_digest, read_record

ENDINGS = (".repairs.csv", ".repaired.mask.png", ".repairs.jpg")
"""What is written beside a repaired copy and its record."""

RECORD = ".repairs.json"

LINEAR = ".linear.tif"


def copy_name(path: Path) -> str:
    """Return the name of a repaired copy, which is never its original's.

    >>> copy_name(Path("a/hill.JPG"))
    'hill.retouched.JPG'
    """
    return f"{path.stem}.retouched{path.suffix}"


def checked(photos: Sequence[Path]) -> list[Path]:
    """Return the photographs; refuse two of one name."""
    names = [path.name for path in photos]
    for name in names:
        if names.count(name) > 1:
            raise YardError(f"two photographs are called {name}; retouch them in two calls with two --out folders")
    return list(photos)


def is_done(path: Path, out: Path, settings: dict[str, Any]) -> bool:
    """Tell whether a photograph's record is there; refuse to replace anything else.

    Raises
    ------
    YardError
        If outputs exist that these settings did not make.
    """
    names = [copy_name(path), path.name + LINEAR, *(path.name + ending for ending in (*ENDINGS, RECORD))]
    record = read_record(out / (path.name + RECORD))
    fits = record is not None and record["settings"] == settings
    if record is not None and fits and path.is_file() and record["source"] == file_digest(path):
        return True
    for name in names:
        if (out / name).exists():
            raise YardError(
                f"{out / name} exists already and is of another file or other settings; choose another --out"
            )
    return False


def clear(out: Path, path: Path) -> None:
    """Take away what an interrupted run made of a photograph: the names in its mark, and nothing else."""
    mark = out / mark_name(path)
    if mark.exists():
        for name in mark.read_text(encoding="utf-8").splitlines():
            (out / name).unlink(missing_ok=True)
        mark.unlink()


def mark_name(path: Path) -> str:
    """Return the name of the file that stands in the folder while a photograph's outputs are being written."""
    return f".{path.name}.unfinished"


def png(mask: Any) -> bytes:
    """Return a mask as the bytes of a grey PNG of eight bits, which any program takes, white where it is true."""
    return _encoded(np.where(mask, np.uint8(255), np.uint8(0)), "PNG", compress_level=1)  # a third of the usual time


def jpeg(pixels: Any) -> bytes:
    """Return pixels as the bytes of a JPEG."""
    return _encoded(pixels, "JPEG", quality=90)


def _encoded(pixels: Any, kind: str, **options: Any) -> bytes:
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, kind, **options)
    return buffer.getvalue()


def write(out: Path, parts: dict[str, bytes], *, mark: Path) -> None:
    """Write files whole or not at all; none that exists is replaced. The mark names what is made, as it is made."""
    for name in parts:
        if (out / name).exists():
            raise YardError(f"{out / name} exists already; choose another --out or move it away")
    mark.touch()
    for name, data in parts.items():
        with mark.open("a", encoding="utf-8") as made:
            made.write(name + "\n")
        with whole_file(out / name) as scratch:
            scratch.write_bytes(data)
    mark.unlink()
