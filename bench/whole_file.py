"""Output files that a reader never sees half of, whoever else writes to the same folder."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from .errors import YardError


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Yield a scratch file beside `path` that takes its place when the block ends, and is gone if it fails.

    Each process has a scratch file of its own; of two that finish together the later one's file stays.

    Raises
    ------
    YardError
        If the file can't be written, as when the disk is full.
    """
    scratch = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield scratch
        os.replace(scratch, path)
    except OSError as error:
        raise YardError(
            f"{path} can't be written ({error.strerror or error}); make room or choose another place, "
            "then run the same command again"
        ) from error
    finally:
        scratch.unlink(missing_ok=True)
