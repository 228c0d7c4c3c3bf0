"""`python -m moteyard.bench.training`: render training frames in all processes, and teach the network meanwhile."""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import os
import platform
import time
from pathlib import Path
from typing import Any

from ...detectors.network.evidence_target import TOGETHER
from ...detectors.network.runtime import MULTIPLE
from ...detectors.network.target import HARD
from .example import MINED, MINERS
from .recipe import ENTROPY, GROUNDS, LESSONS, Recipe
from .rendering import Rendering


def main() -> int:
    """Train, and write network.onnx, its card and the state to go on from."""
    options = _options()
    began_with = [hashlib.sha256(path.read_bytes()).hexdigest() for path in options.start]
    import torch

    from ...detectors.network import lessons
    from ...detectors.network.training import Course, Going, Pool, export, teach
    from ...detectors.network.twin_pool import TwinPool

    options.out.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    recipe = Recipe(
        photographs=options.photographs,
        held_out=tuple(options.without),
        lesson=options.lesson,
        exposures=options.exposures,
    )
    lesson = lessons.LESSONS[options.lesson]
    course = Course(
        lesson,
        steps=options.steps,
        rate=options.rate,
        seed=options.seed,
        batch=options.batch,
        crop_cells=options.crop_cells,
        answer_alone=options.answer_alone,
    )
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    pool = (TwinPool if options.lesson == "twins" else Pool)(device=device, crop=course.crop_cells, most=options.keep)
    ready = Rendering(recipe, numbers=range(options.first, options.first + options.frames), workers=options.workers)
    while len(pool.area) < min(options.frames, options.keep, options.wait_for):
        pool.add(ready.next())
    log = (options.out / "log.jsonl").open("a", encoding="utf-8")

    def note(step: int, losses: dict[str, float]) -> None:
        line = {"step": step, "frames": pool.seen, "seconds": round(time.monotonic() - began, 1), **losses}
        log.write(json.dumps(line) + "\n")
        log.flush()
        if step % 500 == 0:
            print(line, flush=True)

    left = math.inf if options.seconds is None else options.seconds - (time.monotonic() - began)
    going = Going(options.out / "state.pt", start=options.start, seconds=left)
    network = teach(pool, course, going, more=ready.waiting, note=note)
    ready.stop()
    export(network, options.out / "network.onnx", cells=course.crop_cells)
    card: dict[str, Any] = {
        "lesson": options.lesson,
        "begun_with": began_with,
        "exposures": options.exposures if options.lesson == "rolls" else 1,
        "frames": pool.seen,
        "first": options.first,
        "entropy": ENTROPY,
        "namespaces": ["train"],
        "grounds": {name: round(share, 3) for name, share in recipe.grounds().items()},
        "photographs": _photographs(options.photographs),
        "course": {name: getattr(course, name) for name in Course.__slots__ if name != "lesson"},
        "sha256": hashlib.sha256((options.out / "network.onnx").read_bytes()).hexdigest(),
        "parameters": sum(parameter.numel() for parameter in network.parameters()),
        "machine": f"{platform.machine()}, {'GPU' if device.type == 'cuda' else 'CPU'}",
        "torch": torch.__version__,
        "seconds": round(time.monotonic() - began),
    }
    if options.lesson == "centres":
        card["hard_negatives"] = {"by": [miner.name for miner in MINERS], "a_frame": MINED, "weight": HARD}
    (options.out / "card.json").write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")
    print(card)
    return 0


def _photographs(folder: Path | None) -> list[str]:
    from ...generators.photo_io import list_pictures

    return [] if folder is None else [path.name for path in list_pictures(folder)]


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m moteyard.bench.training", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="state, log, network and card")
    parser.add_argument("--lesson", choices=LESSONS, default="centres", help="what to learn (centres)")
    parser.add_argument(
        "--start", type=Path, nargs="+", default=[], metavar="FILE", help="state.pt of earlier courses to begin with"
    )
    parser.add_argument("--photographs", type=Path, metavar="DIR", help="clean pictures to put dust on as well")
    parser.add_argument("--without", action="append", default=[], metavar="GROUND", help="a ground to leave out")
    parser.add_argument("--exposures", type=int, default=12, help="photographs of a roll, in the lesson of rolls (12)")
    parser.add_argument("--answer-alone", action="store_true", help="learn nothing but the last layer")
    parser.add_argument("--frames", type=int, default=10_000, help="frames, or rolls, to render (10000)")
    parser.add_argument("--first", type=int, default=0, help="number of the first of them (0)")
    parser.add_argument("--keep", type=int, default=20_000, help="frames or rolls kept, 3 MB a photograph (20000)")
    parser.add_argument("--wait-for", type=int, default=1000, help="frames or rolls to wait for first (1000)")
    parser.add_argument("--steps", type=int, default=20_000, help="batches in all (20000)")
    parser.add_argument("--batch", type=int, default=96, help="crops, of frames or rolls, a batch (96)")
    parser.add_argument("--crop-cells", type=int, default=96, help="cells along the side of a crop (96)")
    parser.add_argument("--rate", type=float, default=2e-3, help="highest rate of learning (0.002)")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--seconds", type=float, help="stop after so long; the same command goes on")
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    options = parser.parse_args()
    if options.lesson == "rolls" and (options.photographs or options.without):
        parser.error("--photographs and --without don't apply to --lesson rolls")
    if options.lesson == "rolls" and options.exposures <= 4:
        parser.error(f"--exposures must be more than 4, whose sums are looked at too, not {options.exposures}")
    if options.lesson == "twins" and (options.batch <= 0 or options.batch % TOGETHER):
        parser.error(f"--batch must be a multiple of {TOGETHER} for twins, not {options.batch}")
    if options.crop_cells <= 0 or options.crop_cells % MULTIPLE:
        parser.error(f"--crop-cells must be a multiple of {MULTIPLE}, not {options.crop_cells}")
    for name in set(options.without) - set(GROUNDS):
        parser.error(f"--without: there is no ground {name!r}; there are {', '.join(GROUNDS)}")
    for path in (*options.start, options.photographs):
        if path is not None and not path.exists():
            parser.error(f"there is no {path}")
    return options


if __name__ == "__main__":
    raise SystemExit(main())
