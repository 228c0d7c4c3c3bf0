"""A mixed roll of 24 rendered photographs through `moteyard retouch --roll`: spots gone, clean pixels harmed.

Run by hand: OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/retouched_roll.py [folder]
"""

import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from moteyard.bench.cli import main as moteyard
from moteyard.bench.judge import SEEN
from moteyard.bench.masking import contrast_about
from moteyard.bench.retouch.measure import CLEAN, difference_seen, harmed
from moteyard.bench.retouch.original import original_in_roll
from moteyard.bench.roll_suite import load_roll_suite
from moteyard.bench.visibility import Viewing, masking_elevation, shadow_threshold
from moteyard.detectors.contract import DARKEST, LUMINANCE_WEIGHTS
from moteyard.generators.photo_io import read_picture
from moteyard.generators.roll import render_roll
from moteyard.generators.roll_plan import make_roll

VIEWING = Viewing()


def elevations(frame):
    """Return by how much the ground raises the threshold of each true shadow."""
    truth = frame.truth
    log = np.log(np.maximum(frame.clean @ LUMINANCE_WEIGHTS, DARKEST))
    ppd, luminance = VIEWING.pixels_per_degree, VIEWING.luminance_cd_m2
    limit = shadow_threshold(truth.fwhm_px, pixels_per_degree=ppd, luminance_cd_m2=luminance)
    return masking_elevation(contrast_about(log, truth.x, truth.y, fwhm_px=truth.fwhm_px), limit)


def main(folder):
    """Render, retouch, compare with the originals."""
    suite = load_roll_suite("standard")
    plan = next(kind.plan for kind in suite.kinds if kind.label == "mixed")
    roll = make_roll(replace(plan, exposures=24), "mixed/000", entropy=suite.seed, namespace="develop")
    frames, paths = list(render_roll(roll)), []
    for number, frame in enumerate(frames):
        paths.append(folder / f"p{number:02d}.png")
        Image.fromarray(frame.pixels).save(paths[-1])
    moteyard(["retouch", *map(str, paths), "--roll", "--f-number", "11", "--out", str(folder / "out")])
    visible, left, wrong, clean = Counter(), Counter(), 0, 0
    for number, frame in enumerate(frames):
        original, ground = original_in_roll(roll, number, frame), frame.scene.background
        mended = read_picture(folder / "out" / f"p{number:02d}.retouched.png").pixels
        truth = frame.truth
        for place, raised in zip(zip(truth.x, truth.y, truth.fwhm_px, strict=True), elevations(frame), strict=True):
            levels = [
                difference_seen(
                    pixels, original.pixels, tuple(map(float, place)), encoding="srgb", ppd=VIEWING.pixels_per_degree
                )
                for pixels in (frame.pixels, mended)
            ]
            visible[ground] += levels[0] / raised >= SEEN
            left[ground] += levels[0] / raised >= SEEN and levels[1] / raised >= SEEN
        window = tuple(slice(0, side) for side in frame.scene.shape)
        wrong += int(harmed(mended, frame.pixels, original, window=window, encoding="srgb").sum())
        clean += int((original.depth < CLEAN).sum())
    for ground, count in visible.items():
        print(f"{ground:<8}{count} visible spots, {left[ground]} left")
    print(f"gone {1 - left.total() / visible.total():.3f}; clean pixels harmed {100 * wrong / clean:.4f} %")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as scratch:
            main(Path(scratch))
