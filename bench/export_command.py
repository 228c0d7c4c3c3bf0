"""`moteyard export`: everything a result folder holds, as CSV or parquet."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import YardError
from .store import open_store
from .tables import TABLES
from .whole_file import whole_file

if TYPE_CHECKING:
    import pandas as pd

NO_PYARROW = "--format parquet needs pyarrow; install it with: pip install 'moteyard[parquet]'"


def export(folder: Path, *, form: str, out: Path | None) -> int:
    """Write the tables of a result folder and say where. Returns the exit status."""
    write = WRITERS[form]
    if form == "parquet":
        _pyarrow()  # a missing library is said before anything is written
    target = out or folder / "tables"
    paths = {name: target / f"{name}.{form}" for name in TABLES}
    if existing := [path for path in paths.values() if path.exists()]:
        raise YardError(f"{existing[0]} exists and is not replaced; choose another --out")
    store = open_store(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
        for name, path in paths.items():
            with whole_file(path) as scratch:
                rows = write(TABLES[name](store), scratch)
            print(f"{path}: {rows} rows")
    finally:
        store.close()
    return 0


def _write_csv(pieces: Iterator[pd.DataFrame], path: Path) -> int:
    rows = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        for number, piece in enumerate(pieces):
            piece.to_csv(file, index=False, header=number == 0)
            rows += len(piece)
    return rows


def _write_parquet(pieces: Iterator[pd.DataFrame], path: Path) -> int:
    arrow = _pyarrow()
    first = arrow.Table.from_pandas(next(pieces), preserve_index=False)
    rows = int(first.num_rows)
    with arrow.parquet.ParquetWriter(path, first.schema) as writer:
        writer.write_table(first)
        for piece in pieces:
            writer.write_table(arrow.Table.from_pandas(piece, schema=first.schema, preserve_index=False))
            rows += len(piece)
    return rows


def _pyarrow() -> Any:
    try:
        import pyarrow.parquet
    except ImportError as error:
        raise YardError(NO_PYARROW) from error
    return pyarrow


WRITERS: dict[str, Callable[[Iterator[pd.DataFrame], Path], int]] = {"csv": _write_csv, "parquet": _write_parquet}
