"""The command line: words to calls, errors to one sentence and an exit status."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib.metadata import version
from typing import NoReturn

from .commands import COMMANDS
from .errors import YardError

FAILED, MISUSED, INTERRUPTED = 1, 2, 130
"""Exit statuses: some result is missing; the input can't be used; stopped by the user (128 + SIGINT)."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit status."""
    parser = _parser()
    options = parser.parse_args(arguments)
    try:
        return int(options.run(options))
    except (YardError, ValueError, OSError, ImportError) as error:
        if not _is_ours(error):
            raise
        print(f"moteyard: {_words(error)}", file=sys.stderr)
        return MISUSED
    except KeyboardInterrupt:
        print(f"\nmoteyard: interrupted; {options.after}", file=sys.stderr)
        return INTERRUPTED


def _words(error: Exception) -> str:
    """Return an error's sentence; of one of the system's, which place it is about and what to do."""
    if type(error).__module__ == "builtins" and isinstance(error, OSError) and error.filename and error.strerror:
        return f"{error.filename} can't be used ({error.strerror}); check the path, or choose another"
    return str(error)


def _is_ours(error: Exception) -> bool:
    """Tell an error that carries a sentence for the user from a mistake of the program."""
    from ..detectors.registry import PluginError  # only on the way out
    from ..generators.photo_io import PictureError

    missing_library = isinstance(error, ImportError) and str(error).startswith("OpenCV")
    return missing_library or isinstance(error, YardError | PluginError | PictureError | OSError)


class _Parser(argparse.ArgumentParser):
    """A parser that answers a mistake with one sentence; subparsers are of the same kind."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where to read more, and leave with status 2."""
        print(f"moteyard: {message}; see: {self.prog} --help", file=sys.stderr)
        raise SystemExit(MISUSED)


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="moteyard",
        description="Find out which dust detector to trust, at which threshold, on which background and aperture.",
    )
    parser.add_argument("--version", action="version", version=f"moteyard {version('moteyard')}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for name, command in COMMANDS.items():
        words = commands.add_parser(name, help=command.HELP)
        command.add(words)
        words.set_defaults(run=command.run, after=getattr(command, "AFTER", "what is finished is kept"))
    return parser
