"""The command line: words to calls, errors to one sentence and an exit status."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import NoReturn, TypeVar

from .errors import YardError

T = TypeVar("T", int, float)

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
        print(f"moteyard: {error}", file=sys.stderr)
        return MISUSED
    except KeyboardInterrupt:
        print(
            f"\nmoteyard: interrupted; {_AFTER.get(options.run.__name__, 'what is finished is kept')}", file=sys.stderr
        )
        return INTERRUPTED


_AFTER = {
    "_run_rank": "what is finished is kept, and the same command goes on",
    "_run_render": "what is finished is kept; go on with another --out",
    "_run_find": "what is finished is kept; go on with the photographs that are left",
}


def _is_ours(error: Exception) -> bool:
    """Tell an error that carries a sentence for the user from a mistake of the program."""
    from ..detectors.registry import DetectorError  # only on the way out
    from ..generators.photo_io import PictureError

    missing_library = isinstance(error, ImportError) and str(error).startswith("OpenCV")
    return missing_library or isinstance(error, YardError | DetectorError | PictureError | OSError)


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
    _rank(commands.add_parser("rank", help="render a suite, judge detectors on it, rank them (the main job)"))
    _threshold(commands.add_parser("threshold", help="choose a threshold from a result, with a guarantee"))
    _limit(commands.add_parser("limit", help="how large a grain must be to be found, from a result"))
    _errors(commands.add_parser("errors", help="which kinds of mistakes a method makes, from a result"))
    _guard(commands.add_parser("guard", help="fail where a detector got worse than a baseline"))
    _find(commands.add_parser("find", help="look for dust shadows in real photographs"))
    _check_photos(commands.add_parser("check-photos", help="see whether pictures share shadows, as dust makes them"))
    _rolls(commands.add_parser("rolls", help="judge a method that looks at many photographs of one camera together"))
    _render(commands.add_parser("render", help="write a suite's labelled frames to disk"))
    _list(commands.add_parser("list", help="list suites, detectors and backgrounds"))
    return parser


def _rank(parser: argparse.ArgumentParser) -> None:
    parser.description = "Render a suite, put detectors on it, score them against the truth and rank them."
    parser.add_argument("suite", nargs="?", default="standard", help="a suite's name or a .toml file (standard)")
    parser.add_argument("--photos", type=Path, metavar="DIR", help="your own clean pictures as one more ground")
    _detectors(parser)
    parser.add_argument("--out", type=Path, metavar="DIR", help="result folder (results/SUITE)")
    parser.add_argument("--workers", type=_count, metavar="N", help="processes (one a core)")
    parser.set_defaults(run=_run_rank)


def _run_rank(options: argparse.Namespace) -> int:
    from .rank_command import rank  # each command pays for its own imports only

    return rank(
        options.suite,
        photos=options.photos,
        detectors=options.detector,
        out=options.out,
        workers=options.workers,
    )


def _threshold(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Choose, on half of a result's frames, the lowest threshold that keeps false alarms rare, ground by "
        "ground, and try it on the other half."
    )
    parser.add_argument("result", type=Path, help="a folder that rank wrote")
    parser.add_argument("--detector", metavar="NAME", help="which method (the best over all grounds)")
    parser.add_argument("--at-most", type=_whole, default=1, metavar="M", help="false alarms a frame may carry (1)")
    parser.add_argument("--share", type=_part, default=0.9, help="share of frames that keep to it (0.9)")
    parser.add_argument("--confidence", type=_part, default=0.95, help="confidence in that (0.95)")
    parser.add_argument("--out", type=Path, metavar="FILE", help="where to write it (RESULT/threshold.json)")
    parser.set_defaults(run=_run_threshold)


def _run_threshold(options: argparse.Namespace) -> int:
    from .choice import Wish
    from .rank_command import choose_threshold

    wish = Wish(most=options.at_most, share=options.share, confidence=options.confidence)
    return choose_threshold(options.result, detector=options.detector, wish=wish, out=options.out)


def _limit(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Fit the probability of detection over grain size at the chosen thresholds, per ground and aperture: the "
        "sizes found 5 and 9 times in 10, with likelihood-ratio intervals."
    )
    _at_thresholds(parser)
    parser.set_defaults(run=_run_limit)


def _run_limit(options: argparse.Namespace) -> int:
    from .limit_command import show_limit

    return show_limit(options.result, detector=options.detector, threshold_file=options.threshold_file)


def _errors(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Count, at the chosen thresholds, merged, offset and duplicate candidates, those on bare ground and missed "
        "shadows, and say what mending each kind would add to F1."
    )
    _at_thresholds(parser)
    parser.set_defaults(run=_run_errors)


def _run_errors(options: argparse.Namespace) -> int:
    from .errors_command import show_errors

    return show_errors(options.result, detector=options.detector, threshold_file=options.threshold_file)


def _guard(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Render a baseline's frames again, put detectors on them and compare with the baseline's answers, frame by "
        "frame. Status 0: not worse; 1: worse, or failed; 2: the baseline can't be used."
    )
    task = parser.add_mutually_exclusive_group(required=True)
    task.add_argument("--baseline", type=Path, metavar="DIR", help="compare with the baseline in this folder")
    task.add_argument("--make", type=Path, metavar="DIR", help="make a baseline in this folder instead")
    parser.add_argument(
        "--detector", action="append", default=[], metavar="NAME",
        help="a registered detector or path/to/file.py:Class; repeat it for several (all of the baseline)",
    )  # fmt: skip
    parser.add_argument("--against", metavar="NAME", help="whose answers to compare with (those of the same name)")
    parser.add_argument("--least-effect", type=_part, default=0.02, metavar="E", help="drop that matters (0.02)")
    parser.add_argument("--suite", default="guard", help="with --make: a suite's name or a .toml file (guard)")
    parser.add_argument("--junit", type=Path, metavar="FILE", help="write the outcome as JUnit XML")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the outcome as JSON")
    parser.add_argument("--workers", type=_count, metavar="N", help="processes (one a core)")
    parser.set_defaults(run=_run_guard)


def _run_guard(options: argparse.Namespace) -> int:
    from .guard_command import Wanted, guard, make_baseline

    if options.make is not None:
        detectors = options.detector or ["matched", "dog"]
        return make_baseline(options.make, suite=options.suite, detectors=detectors, workers=options.workers)
    wanted = Wanted(
        detectors=options.detector,
        against=options.against,
        least_effect=options.least_effect,
        junit=options.junit,
        report=options.json,
    )
    return guard(options.baseline, wanted, workers=options.workers)


def _at_thresholds(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("result", type=Path, help="a folder that rank wrote")
    parser.add_argument("--detector", metavar="NAME", help="which method (the one that thresholds were chosen for)")
    parser.add_argument("--threshold-file", type=Path, metavar="FILE", help="thresholds (RESULT/threshold.json)")


def _find(parser: argparse.ArgumentParser) -> None:
    parser.description = "Look for dust shadows in real photographs. Originals are only read."
    parser.add_argument("photo", nargs="+", type=Path, help="JPEG, PNG, TIFF or HEIC files")
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument("--from", type=Path, dest="source", metavar="RESULT", help="a result folder or threshold file")
    choice.add_argument("--threshold", type=float, metavar="T", help="take candidates that score above T")
    parser.add_argument("--detector", metavar="NAME", help="with --threshold: which method (matched)")
    parser.add_argument(
        "--roll", action="store_true",
        help="the photographs are of one camera: add up what all of them say of each place (--threshold is optional)",
    )  # fmt: skip
    parser.add_argument("--f-number", type=_positive, metavar="N", help="where the file does not say")
    parser.add_argument("--out", type=Path, default=Path("found"), metavar="DIR", help="where to write (found)")
    parser.set_defaults(run=_run_find)


def _run_find(options: argparse.Namespace) -> int:
    if options.roll:
        return _run_find_roll(options)
    from .field.find import find, make_judge

    judge = make_judge(options.source, detector=options.detector, threshold=options.threshold)
    return find(options.photo, judge, f_number=options.f_number, out=options.out)


def _check_photos(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Compare the pictures of a folder: a shadow at one place of the sensor in several of them is dust, and they "
        "are no clean grounds. Originals are only read."
    )
    parser.add_argument("folder", type=Path, help="pictures of one camera")
    parser.add_argument("--detector", metavar="NAME", help="which method looks for candidates (matched)")
    parser.add_argument("--out", type=Path, default=Path("checked"), metavar="DIR", help="where to write (checked)")
    parser.set_defaults(run=_run_check_photos)


def _run_check_photos(options: argparse.Namespace) -> int:
    from .field.shared_shadows import check_photos

    return check_photos(options.folder, detector=options.detector, out=options.out)


def _run_find_roll(options: argparse.Namespace) -> int:
    from .field.roll_find import find_roll

    if options.source is not None or options.detector is not None:
        raise YardError("--roll has a method of its own: leave --from and --detector out")
    return find_roll(options.photo, threshold=options.threshold, f_number=options.f_number, out=options.out)


def _rolls(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Render rolls of photographs that share their dust, give a method the first few, more each time, and compare "
        "what it finds with what an ideal observer could."
    )
    parser.add_argument("suite", nargs="?", default="quick", help="a roll suite's name or a .toml file (quick)")
    parser.add_argument("--detector", metavar="NAME", help="a registered detector or path/to/file.py:Class (consensus)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="result folder (results/rolls-SUITE)")
    parser.add_argument("--workers", type=_count, metavar="N", help="processes (one a core)")
    parser.add_argument(
        "--seeds", choices=("train", "develop", "report"), default="report", help="tune on develop only (report)"
    )
    parser.set_defaults(run=_run_rolls)


def _run_rolls(options: argparse.Namespace) -> int:
    from .roll_command import judge_rolls

    return judge_rolls(
        options.suite,
        detector=options.detector,
        out=options.out,
        workers=options.workers,
        namespace=options.seeds,
    )


def _render(parser: argparse.ArgumentParser) -> None:
    parser.description = "Write a suite's frames as PNG with their truth (COCO JSON and CSV)."
    parser.add_argument("suite", nargs="?", default="quick", help="a suite's name or a .toml file (quick)")
    parser.add_argument("--out", type=Path, default=Path("frames"), metavar="DIR", help="where to write (frames)")
    parser.add_argument("--photos", type=Path, metavar="DIR", help="your own clean pictures as one more ground")
    parser.add_argument("--limit", type=_count, metavar="N", help="only the first N frames of each cell")
    parser.add_argument(
        "--seeds", choices=("train", "develop", "report"), default="develop",
        help="which seeds; methods are judged on report (develop)",
    )  # fmt: skip
    parser.add_argument(
        "--sheet", type=Path, metavar="FILE",
        help="instead of frames one picture: each kind of dust at each aperture, each background clean and dusty",
    )  # fmt: skip
    parser.set_defaults(run=_run_render)


def _run_render(options: argparse.Namespace) -> int:
    from .render_command import render_sheet, render_suite

    if options.sheet is not None:
        return render_sheet(options.sheet)
    return render_suite(
        options.suite, out=options.out, photos=options.photos, limit=options.limit, namespace=options.seeds
    )


def _list(parser: argparse.ArgumentParser) -> None:
    parser.description = "List what there is: suites, detectors, backgrounds."
    parser.set_defaults(run=_run_list)


def _run_list(_: argparse.Namespace) -> int:
    from .list_command import list_all

    return list_all()


def _detectors(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--detector", action="append", default=[], metavar="NAME",
        help="a registered detector or path/to/file.py:Class; repeat it for several (all registered)",
    )  # fmt: skip


def _count(text: str) -> int:
    return _number(text, int, least=1, words="a whole number of at least 1")


def _whole(text: str) -> int:
    return _number(text, int, least=0, words="a whole number of at least 0")


def _positive(text: str) -> float:
    return _number(text, float, least=1e-6, words="a positive number")


def _part(text: str) -> float:
    value = _number(text, float, least=1e-6, words="a number between 0 and 1")
    if value >= 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number between 0 and 1")
    return value


def _number(text: str, kind: type[T], *, least: float, words: str) -> T:
    try:
        value = kind(text)
    except ValueError:
        value = kind("-1")
    if not least <= value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is not {words}")
    return value
