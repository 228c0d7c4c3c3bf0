"""What is left of the dust of a mixed roll after `retouch --roll`: spots gone and why others stay, pixels harmed.

Run by hand: OMP_NUM_THREADS=1 python tests/benchmarks/retouched_roll.py [--kind mixed] [--rolls 3] [--keep FOLDER]
"""

import argparse
import pickle
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from moteyard.bench.field.roll_find import default_threshold
from moteyard.bench.handover import photograph
from moteyard.bench.interval import mean_interval
from moteyard.bench.judge import SEEN, frame_row
from moteyard.bench.repairs import load
from moteyard.bench.retouch.measure import CLEAN, harmed
from moteyard.bench.retouch.original import original_in_roll
from moteyard.bench.retouch.outcome import Yard
from moteyard.bench.retouch.roll_pairs import plan_in_roll, settled
from moteyard.bench.roll_suite import load_roll_suite
from moteyard.bench.visibility import Viewing
from moteyard.detectors.network.together import study_together
from moteyard.generators.roll import render_roll
from moteyard.generators.roll_plan import make_roll

EXPOSURES = 24


def studied(roll, shots, keep):
    """Return a roll's study, kept in a file so that repairs can be compared without it."""
    file = keep / f"{roll.digest}.{len(shots)}.study" if keep else None
    if file and file.exists():
        return pickle.loads(file.read_bytes())
    study = study_together(shots)
    if file:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(pickle.dumps(study))
    return study


def yard_of(roll, index, frame):
    """Return what judges an exposure of a roll."""
    viewing = Viewing()
    truth = frame_row(frame, ground=frame.scene.background, viewing=viewing, render_s=0.0).truth
    return Yard.of(frame, truth, original_in_roll(roll, index, frame), viewing)


def fate(yard, done, taken, places, number, after):
    """Return in a word what became of a visible spot."""
    if after < SEEN:
        return "gone"
    x, y, width = yard.place(number)

    def near(spots):
        return [n for n, (u, v) in enumerate(spots) if np.hypot(u - x, v - y) < max(3, width / 2)]

    mine = near([(spot.x, spot.y) for spot in done.spots]) or near(places)
    if mine:
        return "left for the hand" if done.spots[mine[0]].how == "left" else "mended and shows"
    return "below the threshold" if near(taken) else "not found"


def judge(roll, repair, keep):
    """Retouch a roll and return a list for each photograph: fates by ground, harmed and clean pixels."""
    frames = list(render_roll(roll))
    shots = [photograph(frame) for frame in frames]
    whole = studied(roll, shots, keep)
    limit = default_threshold(frames[0].pixels[..., 0].size / 1e6)
    study, sizes = settled(shots, whole, limit=limit)
    print(f"{roll.name}: {len(study.grains)} grains, {sizes.filter_distance_mm:.2f} mm", flush=True)
    rows = []
    for index, (frame, shot) in enumerate(zip(frames, shots, strict=True)):
        yard = yard_of(roll, index, frame)
        plan = plan_in_roll(study, sizes, index, shot)
        done = repair.repair(shot, plan.spots, plan.known)
        places = list(zip(plan.spots.x.tolist(), plan.spots.y.tolist(), strict=True))
        taken = [(grain.x, grain.y) for grain in whole.grains]
        fates = []
        for number, before in yard.visible().items():
            after = yard.seen(done.pixels, yard.place(number))
            row = yard.truth[number]
            word = fate(yard, done, taken, places, number, after)
            apart = np.hypot(yard.truth["x"] - row["x"], yard.truth["y"] - row["y"])
            near = float(np.partition(apart, 1)[1]) / float(row["fwhm_px"]) if len(apart) > 1 else np.inf
            looks = (float(row["depth"]), float(row["diameter_um"]), near)
            fates.append((word, before, after, looks, frame.scene.background))
        everywhere = (slice(0, shot.shape[0]), slice(0, shot.shape[1]))
        wrong = harmed(done.pixels, shot.pixels, yard.original, window=everywhere, encoding=shot.encoding)
        rows.append((fates, int(wrong.sum()), int((yard.original.depth < CLEAN).sum()), roll.name))
    return rows


def report(rows):
    """Print the shares of all photographs, of each ground, and the worst of what stays."""
    fates = [fate for each, *_ in rows for fate in each]
    for ground in (None, *sorted({fate[4] for fate in fates})):
        here = [fate for fate in fates if ground in (None, fate[4])]
        counts = Counter(fate[0] for fate in here)
        shares = ", ".join(f"{name} {100 * count / len(here):.1f} %" for name, count in counts.most_common())
        print(f"{ground or 'all':<8}{len(here)} visible spots: {shares}")
    gone = np.array([fate[0] == "gone" for fate in fates], dtype=float)
    span = mean_interval(gone, [roll for each, *_, roll in rows for _ in each])
    print(f"gone: {span.estimate:.3f} ({span.low:.3f}–{span.high:.3f} over rolls)")
    print(f"harmed: {100 * sum(row[1] for row in rows) / sum(row[2] for row in rows):.4f} % of the clean pixels")
    worst = sorted((fate for fate in fates if fate[0] != "gone"), key=lambda fate: -fate[2])[:30]
    for word, before, after, (depth, size, near), ground in worst:
        looks = f"depth {depth:.2f}  {size:.0f} µm, another shadow {near:.1f} widths away"
        print(f"  {ground:<7}{word:<20}{before:6.1f} → {after:5.1f}   {looks}")


if __name__ == "__main__":
    cv2.setNumThreads(1)
    asked = argparse.ArgumentParser()
    asked.add_argument("--kind", default="mixed")
    asked.add_argument("--rolls", type=int, default=3)
    asked.add_argument("--first", type=int, default=100, help="number of the first roll")
    asked.add_argument("--repair", default="flat-field")
    asked.add_argument("--keep", type=Path, help="a folder that keeps the studies of rolls")
    options = asked.parse_args()
    suite = load_roll_suite("standard")
    (plan,) = [kind.plan for kind in suite.kinds if kind.label == options.kind]
    plan = replace(plan, exposures=EXPOSURES)
    found = []
    for number in range(options.first, options.first + options.rolls):
        roll = make_roll(plan, f"{options.kind}/{number:03d}", entropy=suite.seed, namespace="develop")
        found += judge(roll, load(options.repair), options.keep)
    report(found)
