"""`moteyard export`: everything a result folder holds, as CSV or parquet."""

from __future__ import annotations

import argparse
from pathlib import Path

HELP = "frames, shadows, candidates and costs of a result as CSV or parquet"


def add(parser: argparse.ArgumentParser) -> None:
    """Say what the command takes."""
    parser.description = "Write all rows of a result folder as four tables: frames, looks, shadows, candidates."
    parser.add_argument("result", type=Path, help="a folder that rank wrote")
    parser.add_argument("--format", choices=("csv", "parquet"), default="csv", help="csv, or parquet by pyarrow (csv)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="where the tables go (RESULT/tables)")


def run(options: argparse.Namespace) -> int:
    """Do it and return the exit status."""
    from ..export_command import export  # each command pays for its own imports only

    return export(options.result, form=options.format, out=options.out)
