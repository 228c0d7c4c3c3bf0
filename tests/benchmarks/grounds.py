"""Painted grounds beside photographed ones: spectrum, contrast, skewness, kurtosis and hardness per class.

Run by hand: python tests/benchmarks/grounds.py FOLDER [--index grounds.csv] [--plot grounds.png]

FOLDER holds the photographs; the index names parts of them by class, with author and licence. Painted grounds go
through a camera and a JPEG file. Both are halved in linear light before they are measured, which takes away most of
JPEG's and the sharpening's traces. Without FOLDER only the painted grounds are measured.
"""

import argparse
import csv
import dataclasses
from pathlib import Path

import numpy as np
from PIL import Image

from moteyard.generators.backgrounds import BACKGROUNDS, make
from moteyard.generators.backgrounds.statistics import Statistics, describe
from moteyard.generators.camera import Camera
from moteyard.generators.transfer import decode

SIDE = 1152
SEEDS = range(5)
CAMERA = Camera(width_px=SIDE, height_px=SIDE, jpeg_quality=92)
NAMES = [field.name for field in dataclasses.fields(Statistics)]


def halved(linear):
    h, w = (side // 2 * 2 for side in linear.shape[:2])
    return linear[:h, :w].reshape(h // 2, 2, w // 2, 2, 3).mean(axis=(1, 3), dtype=np.float32)


def photographed(folder, index):
    """Yield class, name and statistics of every part in the index."""
    for row in csv.DictReader(index.open(encoding="utf-8")):
        x, y, w, h = (int(row[key]) for key in ("x", "y", "width", "height"))
        with Image.open(folder / row["file"]) as picture:
            part = np.asarray(picture.convert("RGB").crop((x, y, x + w, y + h)))
        yield row["class"], row["file"], describe(halved(decode(part, "srgb")))


def kinds_of(name):
    import importlib

    module = importlib.import_module(f"moteyard.generators.backgrounds.{name}")
    return getattr(module, "KINDS", (None,))


def painted():
    """Yield class, kind and statistics of every kind and seed."""
    for name in BACKGROUNDS:
        if name == "photograph":
            continue
        for kind in kinds_of(name):
            background = make(name, {"kind": kind} if kind else {})
            for seed in SEEDS:
                rng = np.random.default_rng(seed)
                pixels = CAMERA.expose(background.paint((SIDE, SIDE), rng), rng)
                yield name, kind or name, describe(halved(decode(pixels, "srgb")))


def table(rows, of):
    groups = {}
    for name, kind, statistics in rows:
        groups.setdefault((name, kind if of == "painted" else "photographs"), []).append(statistics)
    for (name, kind), many in groups.items():
        cells = []
        for field in NAMES:
            values = [getattr(one, field) for one in many]
            low, middle, high = np.min(values), np.median(values), np.max(values)
            cells.append(f"{middle:.3g} ({low:.2g}…{high:.2g})")
        print(f"| {name} | {kind} | {' | '.join(cells)} |")


def plot(path, real, made):
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    classes = [name for name in BACKGROUNDS if name != "photograph"]
    figure, axes = plt.subplots(1, len(NAMES), figsize=(15, 4.2), sharey=True, layout="constrained")
    for axis, field in zip(axes, NAMES, strict=True):
        for rows, shift, style in (
            (made, 0.14, {"marker": "|", "color": "C0"}),
            (real, -0.14, {"color": "C1", "s": 18}),
        ):
            x = [getattr(one, field) for _, _, one in rows]
            y = [classes.index(name) + shift for name, _, _ in rows]
            axis.scatter(x, y, label="painted" if style.get("marker") else "photographed", **style)
        axis.set_title(field)
        if field in ("contrast", "hardness"):
            axis.set_xscale("log")
        if field == "kurtosis":
            axis.set_xscale("symlog", linthresh=3)
        axis.grid(alpha=0.3)
    axes[0].set_yticks(range(len(classes)), classes)
    axes[0].invert_yaxis()
    axes[0].legend(fontsize=8)
    figure.savefig(path, dpi=80)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--index", type=Path, default=Path(__file__).with_suffix(".csv"))
    parser.add_argument("--plot", type=Path)
    arguments = parser.parse_args()
    real = list(photographed(arguments.folder, arguments.index)) if arguments.folder else []
    made = list(painted())
    print(f"| ground | kind | {' | '.join(NAMES)} |\n|---|---|{'---|' * len(NAMES)}")
    table(real, "photographed")
    table(made, "painted")
    if arguments.plot:
        plot(arguments.plot, real, made)


if __name__ == "__main__":
    main()
