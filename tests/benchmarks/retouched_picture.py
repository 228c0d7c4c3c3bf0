"""Draw README's picture of a retouched roll: crops as photographed, retouched, and without dust.

Run by hand: OMP_NUM_THREADS=1 python tests/benchmarks/retouched_picture.py results/baselines/retouched.jpg
"""

import argparse
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from moteyard.bench.field.roll_find import default_threshold
from moteyard.bench.handover import photograph
from moteyard.bench.repairs import load
from moteyard.bench.retouch.original import original_in_roll
from moteyard.bench.retouch.roll_pairs import plan_in_roll, settled
from moteyard.bench.roll_suite import load_roll_suite
from moteyard.detectors.network.together import study_together
from moteyard.generators.roll import render_roll
from moteyard.generators.roll_plan import make_roll

GROUNDS = ("sky", "snow", "scrub")
EXPOSURES = 24
WIDTH, HEIGHT, GAP, HEAD = 260, 170, 6, 20
COLUMNS = ("as photographed", "retouched", "without dust, which nobody has")


def crop(pixels, x, y):
    """Return a window of WIDTH × HEIGHT pixels about a place, moved into the frame."""
    left = int(np.clip(round(x) - WIDTH // 2, 0, pixels.shape[1] - WIDTH))
    top = int(np.clip(round(y) - HEIGHT // 2, 0, pixels.shape[0] - HEIGHT))
    return pixels[top : top + HEIGHT, left : left + WIDTH]


def place_to_show(truth):
    """Return the middle of the three grains of 40 to 75 µm that lie closest together, in pixels."""
    some = np.flatnonzero((truth.diameter_um > 40) & (truth.diameter_um < 75))
    points = np.column_stack([truth.x[some], truth.y[some]])
    apart = np.sort(np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1)), axis=1)
    centre = int(np.argmin(apart[:, min(2, len(some) - 1)]))
    return points[centre]


def main():
    """Render a mixed roll, retouch it, write the picture."""
    asked = argparse.ArgumentParser()
    asked.add_argument("out", type=Path)
    asked.add_argument("--roll", type=int, default=205)
    options = asked.parse_args()
    suite = load_roll_suite("standard")
    (plan,) = [kind.plan for kind in suite.kinds if kind.label == "mixed"]
    plan = replace(plan, exposures=EXPOSURES, f_numbers=(16.0,))
    roll = make_roll(plan, f"mixed/{options.roll:03d}", entropy=suite.seed, namespace="develop")
    frames = list(render_roll(roll))
    shots = [photograph(frame) for frame in frames]
    limit = default_threshold(frames[0].pixels[..., 0].size / 1e6)
    study, sizes = settled(shots, study_together(shots), limit=limit)
    sheet = Image.new("RGB", (3 * WIDTH + 2 * GAP, HEAD + 3 * (HEIGHT + GAP) - GAP), "white")
    draw, font = ImageDraw.Draw(sheet), ImageFont.load_default(13)
    for column, words in enumerate(COLUMNS):
        draw.text((column * (WIDTH + GAP) + 2, 2), words, fill="black", font=font)
    for row, ground in enumerate(GROUNDS):
        index = next(n for n, frame in enumerate(frames) if frame.scene.background == ground)
        frame, shot = frames[index], shots[index]
        mend = plan_in_roll(study, sizes, index, shot)
        done = load("flat-field").repair(shot, mend.spots, mend.known).pixels
        clean = original_in_roll(roll, index, frame).pixels
        for column, pixels in enumerate((shot.pixels, done, clean)):
            part = Image.fromarray(np.ascontiguousarray(crop(pixels, *place_to_show(frame.truth))))
            sheet.paste(part, (column * (WIDTH + GAP), HEAD + row * (HEIGHT + GAP)))
    sheet.save(options.out, quality=90)


if __name__ == "__main__":
    cv2.setNumThreads(1)
    main()
